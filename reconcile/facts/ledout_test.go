package facts_test

import (
	"testing"

	"github.com/stretchr/testify/assert"

	"lendkeep/reconcile/facts"
)

func TestLedOut(t *testing.T) {
	const place = "/srv/shelf"
	for name, c := range map[string]struct {
		named       string
		path        *facts.Path
		to, unknown string
	}{
		"a file there":                   {"/srv/shelf/a", &facts.Path{Resolved: "/srv/shelf/a"}, "", ""},
		"a file elsewhere":               {"/srv/a", &facts.Path{Resolved: "/srv/a"}, "", ""},
		"a link there":                   {"/srv/shelf/a", &facts.Path{Resolved: "/etc/shadow", Via: []string{"/srv/shelf/a"}}, "/etc/shadow", ""},
		"a link there to nothing":        {"/srv/shelf/a", &facts.Path{Resolved: "/etc/new", Via: []string{"/srv/shelf/a"}, Missing: true}, "/etc/new", ""},
		"a link that stays there":        {"/srv/shelf/a", &facts.Path{Resolved: "/srv/shelf/b", Via: []string{"/srv/shelf/a"}}, "", ""},
		"a link to the place itself":     {"/srv/shelf/a", &facts.Path{Resolved: "/srv/shelf", Via: []string{"/srv/shelf/a"}}, "", ""},
		"a link to a twin by name":       {"/srv/shelf/a", &facts.Path{Resolved: "/srv/shelf2/a", Via: []string{"/srv/shelf/a"}}, "/srv/shelf2/a", ""},
		"a link out and back":            {"/srv/shelf/a", &facts.Path{Resolved: "/srv/shelf/b", Via: []string{"/srv/shelf/a", "/tmp/x"}}, "/tmp/x", ""},
		"a link from elsewhere there":    {"/srv/a", &facts.Path{Resolved: "/srv/shelf/a", Via: []string{"/srv/a"}}, "", ""},
		"a link from elsewhere by there": {"/srv/a", &facts.Path{Resolved: "/etc/shadow", Via: []string{"/srv/a", "/srv/shelf/b"}}, "/etc/shadow", ""},
		"a link above the place":         {"/srv/shelf/a", &facts.Path{Resolved: "/data/shelf/a", Via: []string{"/srv"}}, "", ""},
		"the place is a link":            {"/srv/shelf/a", &facts.Path{Resolved: "/data/a", Via: []string{"/srv/shelf"}}, "", ""},
		"nobody has looked":              {"/srv/shelf/a", nil, "", "nobody has looked"},
		"nobody has looked, unclean":     {"/srv/x/../shelf/a", nil, "", "nobody has looked"},
		"nobody has looked, elsewhere":   {"/srv/a", nil, "", ""},
		"it could not be followed":       {"/srv/shelf/a", &facts.Path{Gap: "it hangs"}, "", "it hangs"},
	} {
		t.Run(name, func(t *testing.T) {
			var s facts.Survey
			if c.path != nil {
				c.path.Named = c.named
				s.Paths = []facts.Path{*c.path}
			}
			to, unknown := facts.NewIndex(&s).LedOut(c.named, place)
			assert.Equal(t, c.to, to)
			assert.Equal(t, c.unknown, unknown)
		})
	}
}
