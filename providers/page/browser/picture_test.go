//go:build pages

package browser

import (
	"bytes"
	"cmp"
	"flag"
	"image"
	"image/color"
	"image/png"
	"maps"
	"os"
	"slices"
	"testing"

	"github.com/chromedp/chromedp"
	"github.com/stretchr/testify/require"
)

var pictures = flag.Bool("pictures", false, "make the README's pictures anew")

// TestMakePictures writes what the README shows: the top of two pages, as a screen of
// that size has them.
func TestMakePictures(t *testing.T) {
	if !*pictures {
		t.Skip("make pictures makes them")
	}
	picture(t, "larch.png", put(t, day(t)), 1280, 1260)
	picture(t, "large.png", put(t, large()), 1920, 1000)
}

func picture(t *testing.T, name, file string, width, height int64) {
	ctx, _ := tab(t, file)
	media(t, ctx, "screen", "light")
	size(t, ctx, width, height)
	content, err := chromedp.Run(ctx, chromedp.CaptureScreenshot())
	require.NoError(t, err)
	shot, err := png.Decode(bytes.NewReader(content))
	require.NoError(t, err)
	var made bytes.Buffer
	encoder := png.Encoder{CompressionLevel: png.BestCompression}
	require.NoError(t, encoder.Encode(&made, few(shot)))
	require.NoError(t, os.WriteFile(name, made.Bytes(), 0o644))
}

// mostColours is enough for plain areas and the edges of letters.
const mostColours = 48

// few gives a picture in its most frequent colours alone, which makes it a third as
// large.
func few(shot image.Image) *image.Paletted {
	bounds, numbers := shot.Bounds(), map[color.Color]int{}
	for y := bounds.Min.Y; y < bounds.Max.Y; y++ {
		for x := bounds.Min.X; x < bounds.Max.X; x++ {
			numbers[shot.At(x, y)]++
		}
	}
	all := slices.SortedFunc(maps.Keys(numbers), func(a, b color.Color) int { return cmp.Compare(numbers[b], numbers[a]) })
	made := image.NewPaletted(bounds, color.Palette(all[:min(len(all), mostColours)]))
	nearest := map[color.Color]uint8{}
	for c := range numbers {
		nearest[c] = uint8(made.Palette.Index(c))
	}
	for y := bounds.Min.Y; y < bounds.Max.Y; y++ {
		for x := bounds.Min.X; x < bounds.Max.X; x++ {
			made.SetColorIndex(x, y, nearest[shot.At(x, y)])
		}
	}
	return made
}
