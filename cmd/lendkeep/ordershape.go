package main

import (
	"time"

	"lendkeep/reconcile/assess"
	"lendkeep/reconcile/order"
	"lendkeep/reconcile/step"
	"lendkeep/spec"
)

// planned is what plan --json and show --json print.
type planned struct {
	Version     version          `json:"version"`
	Diagnostics spec.Diagnostics `json:"diagnostics"`
	Findings    []assess.Finding `json:"findings"`
	Order       *orderShape      `json:"order,omitempty"` // nil: findings stop it
}

// orderShape is an order in words, for programs.
type orderShape struct {
	Code       string      `json:"code"`
	ID         string      `json:"sha256"`
	Host       string      `json:"host"`
	Libvirt    string      `json:"libvirt"`
	Layout     string      `json:"layout"`
	Shift      string      `json:"shift,omitempty"`
	SurveyedAt time.Time   `json:"surveyed_at"`
	Steps      []stepShape `json:"steps"`
	Takes      int         `json:"takes_seconds"`
	Downtimes  []string    `json:"downtimes"`
	Erases     []string    `json:"erases"`
	UndoErases []string    `json:"undo_erases"`
	ByHand     []string    `json:"by_hand"`
}

type stepShape struct {
	Kind    string        `json:"kind"`
	Does    string        `json:"does"`
	Undoes  string        `json:"undoes,omitempty"`
	Details []detailShape `json:"details"`
	Stated  spec.Place    `json:"stated"`
	Risk    step.Risk     `json:"risk"`
	Takes   int           `json:"takes_seconds"`
	Before  string        `json:"xml_before,omitempty"`
	After   string        `json:"xml_after,omitempty"`
}

type detailShape struct {
	Head string `json:"head"`
	Text string `json:"text"`
}

// plannedOf puts together what came of planning; no order: findings stop it.
func plannedOf(diagnostics spec.Diagnostics, findings []assess.Finding, sealed *order.Sealed, xml bool) planned {
	p := planned{Diagnostics: listed(diagnostics), Findings: listed(findings)}
	if sealed != nil {
		p.Order = orderShapeOf(*sealed, xml)
	}
	return p
}

func orderShapeOf(sealed order.Sealed, xml bool) *orderShape {
	o := sealed.Order
	s := &orderShape{Code: sealed.Code(), ID: sealed.ID(), Host: o.Host, Libvirt: o.Libvirt, Layout: o.LayoutDir, Shift: o.Shift,
		SurveyedAt: o.SurveyedAt, Takes: seconds(o.Takes()), Steps: []stepShape{}, Downtimes: []string{},
		Erases: listed(o.Erases()), UndoErases: listed(o.UndoErases()), ByHand: listed(o.ByHand())}
	for _, d := range o.Downtimes() {
		s.Downtimes = append(s.Downtimes, d.String())
	}
	for _, w := range o.Steps {
		s.Steps = append(s.Steps, stepShapeOf(w, xml))
	}
	return s
}

func stepShapeOf(w step.Written, xml bool) stepShape {
	about := w.Step.About()
	s := stepShape{Kind: about.Kind, Does: about.Does, Undoes: about.Undoes, Details: []detailShape{}, Stated: w.Why, Risk: about.Risk, Takes: seconds(about.Takes)}
	if detailed, ok := w.Step.(step.Detailed); ok {
		for _, d := range detailed.Details() {
			s.Details = append(s.Details, detailShape(d))
		}
	}
	if define, ok := w.Step.(*step.DefineGuest); ok && xml {
		s.Before = define.Before
		s.After, _, _ = define.After() // an order whose definition cannot be made is not opened
	}
	return s
}

func seconds(d time.Duration) int { return int(d.Round(time.Second) / time.Second) }
