package measure

// percent gives a share as whole percent, rounded up, since a little is not nothing;
// nil without a whole.
func percent(part, whole int64) *int {
	if whole <= 0 {
		return nil
	}
	p := int(min(max((part*100+whole-1)/whole, 0), 100))
	return &p
}
