package order

// Passing lists the facts on which no order relies, with the reasons.
var Passing = passing

// SayOf tells a fact as orders hold it.
var SayOf = sayOf

// SubjectKnown tells whether orders can rely on such a thing.
func SubjectKnown(what string) bool {
	_, known := subjectKinds[what]
	return known
}
