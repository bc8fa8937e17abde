package twin

// What tests ask of a machine besides.

func (m *Machine) Groups() map[*Part]*Part { return m.groups() }

func (m *Machine) Buses() int { return m.buses() }
