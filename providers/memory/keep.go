package memory

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"maps"
	"path/filepath"
	"slices"

	"lendkeep/providers/files"
	"lendkeep/reconcile/definition"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/guard"
	"lendkeep/reconcile/strict"
)

// File is the name of a stand-in host's file in its folder.
const File = "host.json"

// FirstFile is the survey that a folder without File is made a host from.
const FirstFile = "survey.json"

type kept struct {
	Survey  json.RawMessage       `json:"survey"`
	Away    []Unseen              `json:"away"`
	Remount []facts.Mount         `json:"remount"`
	Origins []Origin              `json:"origins"`
	Ends    []Ends                `json:"ends"`
	Stores  []facts.VariableStore `json:"stores,omitempty"`
	Done    []Done                `json:"done,omitempty"`
	Places  map[string]facts.Path `json:"places,omitempty"`
	// What brings controllers back that do not come by themselves.
	Stubborn map[facts.Address]guard.Rung `json:"stubborn,omitempty"`
	Pulled   []facts.Function             `json:"pulled,omitempty"`
}

// Load reads a stand-in host from its folder: as it was kept there or, the
// first time, as the folder's survey says.
func Load(folder string, judge Judge) (*Host, error) {
	content, err := files.Read(filepath.Join(folder, File), 2*facts.MaxBytes)
	if errors.Is(err, fs.ErrNotExist) {
		return first(folder, judge)
	}
	if err != nil {
		return nil, fmt.Errorf("open stand-in host: %w", err)
	}
	h, err := decoded(content, judge)
	if err != nil {
		return nil, fmt.Errorf("open stand-in host %s: %w", folder, err)
	}
	h.folder = folder
	return h, nil
}

func decoded(content []byte, judge Judge) (*Host, error) {
	var k kept
	if err := strict.ReadWhole(content, 2*facts.MaxBytes, &k); err != nil {
		return nil, err
	}
	survey, err := definition.Survey(k.Survey)
	if err != nil {
		return nil, err
	}
	h := New(survey, judge)
	h.stubborn, h.done, h.pulled = k.Stubborn, k.Done, k.Pulled
	for _, a := range k.Away {
		h.unseen[a.Address] = a
	}
	for _, s := range k.Stores {
		h.stores[s.SHA256] = s
	}
	for keep, p := range k.Places {
		h.places[keep] = p
	}
	for _, m := range k.Remount {
		h.remount[m.Devno.String()+m.Path] = m
	}
	for _, o := range k.Origins {
		h.origins[o.Named] = o
	}
	for _, e := range k.Ends {
		h.ends[e.Keep] = e
	}
	return h, nil
}

func first(folder string, judge Judge) (*Host, error) {
	content, err := files.Read(filepath.Join(folder, FirstFile), facts.MaxBytes)
	if err != nil {
		return nil, fmt.Errorf("open stand-in host: the folder needs a survey to begin with: %w", err)
	}
	survey, err := definition.Survey(content)
	if err != nil {
		return nil, fmt.Errorf("open stand-in host %s: %w", folder, err)
	}
	h := New(survey, judge)
	h.folder = folder
	return h, nil
}

// changed keeps the host in its folder after a change, so that it survives the
// end of the process at any moment. Where that fails, on a full disk for one, the
// change has not been: the host is what the folder has, and where that cannot be
// read it answers nobody any more.
func (h *Host) changed() error {
	if h.folder == "" {
		return nil
	}
	err := h.keep()
	if err == nil {
		return nil
	}
	err = fmt.Errorf("keep stand-in host: %w", err)
	if was, lost := Load(h.folder, h.judge); lost != nil {
		h.lost = fmt.Errorf("how the stand-in host stands is not known: %w", errors.Join(err, lost))
	} else {
		h.become(was)
	}
	return err
}

// become makes a host stand as another one does.
func (h *Host) become(other *Host) {
	h.survey, h.unseen, h.remount, h.origins, h.marks = other.survey, other.unseen, other.remount, other.origins, other.marks
	h.ends, h.places, h.stores, h.done, h.boot, h.reserved, h.virtuals, h.began, h.stubborn, h.pulled = other.ends, other.places, other.stores, other.done, other.boot, other.reserved, other.virtuals, other.began, other.stubborn, other.pulled
}

func (h *Host) keep() error {
	var survey bytes.Buffer
	if err := h.survey.Encode(&survey); err != nil {
		return err
	}
	k := kept{Survey: survey.Bytes(), Away: []Unseen{}, Remount: []facts.Mount{}, Origins: []Origin{}, Ends: []Ends{}, Done: h.done, Places: h.places, Stubborn: h.stubborn, Pulled: h.pulled}
	for _, sum := range slices.Sorted(maps.Keys(h.stores)) {
		k.Stores = append(k.Stores, h.stores[sum])
	}
	for _, at := range slices.SortedFunc(maps.Keys(h.unseen), facts.Address.Compare) {
		k.Away = append(k.Away, h.unseen[at])
	}
	for _, key := range slices.Sorted(maps.Keys(h.remount)) {
		k.Remount = append(k.Remount, h.remount[key])
	}
	for _, named := range slices.Sorted(maps.Keys(h.origins)) {
		k.Origins = append(k.Origins, h.origins[named])
	}
	for _, keep := range slices.Sorted(maps.Keys(h.ends)) {
		k.Ends = append(k.Ends, h.ends[keep])
	}
	content, err := json.MarshalIndent(k, "", " ")
	if err != nil {
		return err
	}
	return files.Write(filepath.Join(h.folder, File), content, files.Private)
}
