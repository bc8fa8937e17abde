package strict_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"

	"lendkeep/reconcile/strict"
)

type inner struct {
	Name  string `json:"name"`
	Extra string `json:"extra,omitempty"`
}

type embedded struct {
	Hook string `json:"hook,omitempty"`
	Rule string `json:"rule"`
}

type outer struct {
	Inner inner            `json:"inner"`
	List  []inner          `json:"list"`
	Maybe *inner           `json:"maybe,omitempty"`
	By    map[string]inner `json:"by,omitempty"`
	Raw   json.RawMessage  `json:"raw,omitempty"`
	embedded
}

const whole = `{"inner": {"name": "a"}, "list": [{"name": "b"}], "rule": "r"`

func TestRead(t *testing.T) {
	for name, c := range map[string]struct {
		text, says string // empty: it is read
		whole      string // what ReadWhole says; empty: the same
	}{
		"whole":                   {whole + `}`, "", ""},
		"everything":              {whole + `, "maybe": {"name": "c"}, "by": {"x": {"name": "d"}}, "raw": {"any": [1, null]}}`, "", ""},
		"unknown key":             {whole + `, "weather": 1}`, "weather", ""},
		"unknown key deep":        {`{"inner": {"name": "a", "weather": 1}, "list": [], "rule": "r"}`, "weather", ""},
		"twice":                   {whole + `, "rule": "s"}`, "rule is there twice", ""},
		"twice, deep":             {`{"inner": {"name": "a", "name": "b"}, "list": [], "rule": "r"}`, "inner name is there twice", ""},
		"twice, in a list":        {`{"inner": {"name": "a"}, "list": [{"name": "b"}, {"name": "c", "name": "d"}], "rule": "r"}`, "list 2 name is there twice", ""},
		"twice, where all may be": {whole + `, "raw": {"a": {"b": 1, "b": 2}}}`, "raw a b is there twice", ""},
		"twice, one in capitals":  {whole + `, "RULE": "s"}`, "RULE is there twice", ""},
		"twice, one of the kind":  {whole + `, "li\u017ft": []}`, "is there twice", ""}, // the long s
		"twice, escaped":          {whole + `, "r\u0075le": "s"}`, "rule is there twice", ""},
		"another case":            {`{"inner": {"name": "a"}, "List": [], "rule": "r"}`, "List: nothing of that name", ""},
		"missing":                 {`{"inner": {"name": "a"}, "rule": "r"}`, "", "list is missing"},
		"missing, deep":           {`{"inner": {}, "list": [], "rule": "r"}`, "", "inner name is missing"},
		"missing, in a list":      {`{"inner": {"name": "a"}, "list": [{"extra": "x"}], "rule": "r"}`, "", "list 1 name is missing"},
		"missing, embedded":       {`{"inner": {"name": "a"}, "list": []}`, "", "rule is missing"},
		"missing, below a star":   {whole + `, "maybe": {}}`, "", "maybe name is missing"},
		"missing, in a map":       {whole + `, "by": {"x": {}}}`, "", "by x name is missing"},
		"null":                    {`{"inner": {"name": "a"}, "list": null, "rule": "r"}`, "", "list is null"},
		"null entry":              {`{"inner": {"name": "a"}, "list": [null], "rule": "r"}`, "", "list 1 is null"},
		"null for what may lack":  {whole + `, "maybe": null}`, "", ""},
		"null for all":            {`null`, "", " is null"},
		"something follows":       {whole + `} {}`, "something follows its end", ""},
		"garbage follows":         {whole + `} x`, "something follows its end", ""},
		"cut off":                 {whole, "line 1: it ends before it is whole", ""},
		"nothing":                 {``, "it ends before it is whole", ""},
		"no UTF-8":                {whole + `, "raw": "` + "\xff" + `"}`, "no UTF-8", ""},
		"deep":                    {whole + `, "raw": ` + strings.Repeat("[", 70) + strings.Repeat("]", 70) + `}`, "stand in one another", ""},
		"another kind of value":   {`{"inner": 1, "list": [], "rule": "r"}`, "line 1: inner: want an object, not number", ""},
	} {
		t.Run(name, func(t *testing.T) {
			check(t, c.says, strict.Read([]byte(c.text), 1000, &outer{}))
			if c.whole == "" {
				c.whole = c.says
			}
			check(t, c.whole, strict.ReadWhole([]byte(c.text), 1000, &outer{}))
		})
	}
}

func check(t *testing.T, says string, err error) {
	if says == "" {
		assert.NoError(t, err)
		return
	}
	assert.ErrorContains(t, err, says)
}

func TestReadBounds(t *testing.T) {
	text := []byte(whole + "}")
	for _, read := range []func([]byte, int, any) error{strict.Read, strict.ReadWhole, strict.ReadSome} {
		assert.NoError(t, read(text, len(text), &outer{}))
		assert.ErrorContains(t, read(text, len(text)-1, &outer{}), "bytes are more than the")
	}
}

func TestReadSomePassesOver(t *testing.T) {
	var head struct {
		Rule string `json:"rule"`
	}
	require.NoError(t, strict.ReadSome([]byte(whole+`, "weather": 1}`), 1000, &head))
	assert.Equal(t, "r", head.Rule)
	assert.ErrorContains(t, strict.ReadSome([]byte(whole+`, "rule": "s"}`), 1000, &head), "twice")
}

type of struct {
	Text  string            `json:"text,omitempty"`
	Size  uint8             `json:"size,omitempty"`
	Shift int               `json:"shift,omitempty"`
	On    bool              `json:"on,omitempty"`
	At    time.Time         `json:"at,omitzero"`
	List  []string          `json:"list,omitempty"`
	Inner *inner            `json:"inner,omitempty"`
	By    map[string]string `json:"by,omitempty"`
}

// What is wrong is told without Go's names for it, whatever stands where.
func TestErrorsAreInWords(t *testing.T) {
	for text, says := range map[string]string{
		"{\n \"size\": \"x\"}":    "line 2: size: want a whole number of 8 bits, not below 0, not a text",
		`{"size": 300}`:           "line 1: size: want a whole number of 8 bits, not below 0, not number 300",
		`{"text": {}}`:            "line 1: text: want a text, not an object",
		`{"inner": {"name": []}}`: "line 1: inner name: want a text, not a list",
		`{"at": "noon"}`:          "want a time such as",
		`{"at": 12}`:              "want a time such as",
		`[]`:                      "line 1: it: want an object, not a list",
		"{\"list\": [],\n\n,}":    "line 3: it is no JSON: invalid character",
		`{"` + strings.Repeat("k", 1<<20) + `": 1}`:     "kkk...: nothing of that name is known here",
		`{"size": 1` + strings.Repeat("0", 1<<20) + "}": "000...",
		`{"at": "` + strings.Repeat("t", 1<<20) + `"}`:  "want a time such as",
	} {
		err := strict.Read([]byte(text), 2<<20, &of{})
		require.ErrorContains(t, err, says)
		assert.Less(t, len(err.Error()), 1000)
	}
	for _, key := range []string{"text", "size", "shift", "on", "at", "list", "inner", "by"} {
		for _, value := range []string{`"x"`, `-1`, `1.5`, `true`, `[]`, `[{}]`, `{}`, `{"name": {}}`, `{"name": [1]}`} {
			for _, read := range []func([]byte, int, any) error{strict.Read, strict.ReadWhole, strict.ReadSome} {
				if err := read([]byte(`{"`+key+`": `+value+`}`), 1000, &of{}); err != nil {
					assert.NotRegexp(t, `(?i)json:|unmarshal|\bgo\b|struct|uint|strict|time\.`, err.Error())
				}
			}
		}
	}
}

// Whatever is read strictly, encoding/json reads to the same value.
func FuzzRead(f *testing.F) {
	f.Add([]byte(whole + "}"))
	f.Fuzz(func(t *testing.T, text []byte) {
		var got, want outer
		if strict.ReadWhole(text, 1<<16, &got) != nil {
			return
		}
		require.NoError(t, strict.Read(text, 1<<16, &outer{}))
		require.NoError(t, json.Unmarshal(text, &want))
		require.Equal(t, want, got)
	})
}
