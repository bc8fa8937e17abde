package facts

// Limits are the ports above a function that keep its link from what it can do at
// most, nearest first; nil where none does, or none says.
type Limits struct {
	Lanes *Function // has fewer lanes
	Speed *Function // is slower
}

// LimitsOf looks for them on the whole way up. What links can at most does not change
// when they are idle.
func (ix *Index) LimitsOf(f *Function) Limits {
	var l Limits
	if f.Link == nil {
		return l
	}
	for _, port := range ix.Upstream(f.Address) {
		if port.Link == nil {
			continue
		}
		if l.Lanes == nil && port.Link.MaxWidth > 0 && port.Link.MaxWidth < f.Link.MaxWidth {
			l.Lanes = port
		}
		if l.Speed == nil && port.Link.MaxSpeedMTps > 0 && port.Link.MaxSpeedMTps < f.Link.MaxSpeedMTps {
			l.Speed = port
		}
	}
	return l
}
