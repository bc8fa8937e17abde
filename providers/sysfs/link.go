package sysfs

import (
	"io/fs"
	"math"
	"strconv"
	"strings"

	"lendkeep/reconcile/facts"
)

// linkOf reads the four files about the link, which are there for PCI Express
// only. Where all of them are absent, or say nothing, there is no link.
func linkOf(p place) *facts.Link {
	files := []string{"current_link_speed", "current_link_width", "max_link_speed", "max_link_width"}
	var values [4]int
	var absent []string
	for i, name := range files {
		text, there := p.textIfAny("link", name)
		if !there {
			absent = append(absent, name)
			continue
		}
		parse := linkSpeed
		if strings.HasSuffix(name, "width") {
			parse = linkWidth
		}
		value, err := parse(text)
		if err != nil {
			p.gap("link", name, err)
		}
		values[i] = value
	}
	if len(absent) > 0 && len(absent) < len(files) {
		p.gap("link", absent[0], fs.ErrNotExist)
	}
	if values == [4]int{} {
		return nil
	}
	return &facts.Link{SpeedMTps: values[0], Width: values[1], MaxSpeedMTps: values[2], MaxWidth: values[3]}
}

// linkSpeed reads "8.0 GT/s PCIe", or "Unknown" as 0.
func linkSpeed(text string) (int, error) {
	if text == "" || strings.HasPrefix(text, "Unknown") {
		return 0, nil
	}
	number, _, found := strings.Cut(text, " GT/s")
	speed, err := strconv.ParseFloat(number, 64)
	if !found || err != nil || !(speed >= 0 && speed <= 1000) {
		return 0, unexpected(text)
	}
	return int(math.Round(speed * 1000)), nil
}

// linkWidth reads a number of lanes. More than 32 cannot be: the register is
// read as all ones when the device does not answer.
func linkWidth(text string) (int, error) {
	if text == "" {
		return 0, nil
	}
	width, err := strconv.ParseUint(text, 10, 8)
	if err != nil {
		return 0, unexpected(text)
	}
	if width > 32 {
		return 0, nil
	}
	return int(width), nil
}
