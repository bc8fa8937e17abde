package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"

	"lendkeep/providers/archive"
	"lendkeep/providers/firmware"
	"lendkeep/providers/hook"
	"lendkeep/providers/libvirt/dump"
	"lendkeep/providers/sysfs"
	"lendkeep/providers/systemd"
	"lendkeep/reconcile/facts"
	"lendkeep/reconcile/strict"
)

// join puts together what the tree shows, what is installed of lendkeep in it, and
// what libvirt says.
func join(ctx context.Context, tree sysfs.Tree, virtualization facts.Virtualization, paths []string) (facts.Survey, error) {
	survey, err := tree.Survey(ctx, paths)
	survey.Guard, survey.Watch = hook.Installed(tree.Root()), systemd.Installed(tree.Root())
	survey.Libvirt = virtualization
	survey.Sort()
	return survey, err
}

// complete adds the firmware in the tree, and looks at all paths that libvirt
// mentions.
func complete(ctx context.Context, tree sysfs.Tree, images *firmware.Host, virtualization facts.Virtualization, also ...string) (facts.Survey, error) {
	survey, err := join(ctx, tree, virtualization, append(virtualization.Paths(), also...))
	images.Survey(&survey)
	survey.Sort()
	return survey, err
}

// surveyTree reads a captured tree, libvirt's answers included.
func surveyTree(ctx context.Context, tree sysfs.Tree) (facts.Survey, error) {
	// Without libvirt's answers nobody knows which guests use what.
	virtualization := facts.Virtualization{Gaps: []facts.Gap{{Fact: "guests", Path: "/libvirt", Reason: "the tree holds no answers of libvirt's"}}}
	if _, err := fs.Stat(tree.FS(), answersFolder); err == nil {
		sub, err := fs.Sub(tree.FS(), answersFolder)
		if err != nil {
			return facts.Survey{}, err
		}
		virtualization = dump.FromFiles(sub)
	}
	survey, err := complete(ctx, tree, firmware.OnHost(tree.FS(), firmwareCache()), virtualization)
	if err != nil {
		return survey, err
	}
	survey.Contents, err = contentsIn(tree.FS())
	survey.Contents = append(survey.Contents, notKept(survey)...)
	survey.Sort()
	return survey, err
}

// What a captured tree has beside the host's own files: what libvirt said, and what
// was read of the host's drives and images, whose bytes are not in it.
const (
	answersFolder = "libvirt"
	contentsFile  = "drives/contents.json"
)

// keepAnswers keeps in a tree what surveyTree reads there.
func keepAnswers(tree *archive.Recording, answers map[string]string, contents []facts.Content) {
	for name, text := range answers {
		tree.Add(path.Join(answersFolder, name), []byte(text))
	}
	content, err := json.Marshal(listed(contents))
	if err != nil {
		panic(err) // facts are plain values
	}
	tree.Add(contentsFile, append(content, '\n'))
}

// notKept is of the NVMe drives of which a captured tree keeps nothing.
func notKept(survey facts.Survey) []facts.Content {
	var list []facts.Content
	for _, n := range survey.Namespaces() {
		if n.Block != "" && !slices.ContainsFunc(survey.Contents, func(c facts.Content) bool { return c.Of == n.Block }) {
			gap := facts.Gap{Fact: "what is on it", Path: "/" + contentsFile, Reason: "the tree holds nothing of this drive"}
			list = append(list, facts.Content{Of: n.Block, SizeBytes: n.SizeBytes, SectorBytes: n.SectorBytes, Gaps: []facts.Gap{gap}})
		}
	}
	return list
}

func contentsIn(root fs.FS) ([]facts.Content, error) {
	content, err := fs.ReadFile(root, contentsFile)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("read contents of drives: %w", err)
	}
	var list []facts.Content
	if err := strict.ReadWhole(content, facts.MaxBytes, &list); err != nil {
		return nil, fmt.Errorf("read contents of drives: %w", err)
	}
	return list, nil
}
