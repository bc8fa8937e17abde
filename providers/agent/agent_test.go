package agent

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/assert"
	"github.com/stretchr/testify/require"
)

// spoken is a guest's agent that answers each command with a text; a command that
// is not in it gets what a good agent says. asked keeps what was asked.
type spoken struct {
	replies map[string][]string // used up one by one, the last one again and again
	asked   []string
}

// good is what an agent of a Linux guest says.
var good = map[string]string{
	"guest-info":        `{"version": "7.2.22", "supported_commands": [` + supported(Needs...) + `,` + supported("guest-get-osinfo") + `, {"name": "guest-shutdown", "enabled": false, "success-response": false}]}`,
	"guest-get-osinfo":  `{"id": "debian", "name": "Debian GNU/Linux", "pretty-name": "Debian GNU/Linux 12 (bookworm)", "kernel-release": "6.1.0-56-amd64", "kernel-version": "#1 SMP PREEMPT_DYNAMIC Debian 6.1.170-1", "machine": "x86_64"}`,
	"guest-exec":        `{"pid": 812}`,
	"guest-exec-status": `{"exited": true, "exitcode": 0}`,
	"guest-file-open":   `1000`,
	"guest-file-close":  `{}`,
	"guest-file-flush":  `{}`,
	"guest-file-read":   `{"count": 5, "buf-b64": "aGVsbG8=", "eof": true}`,
	"guest-file-write":  `{"count": 5, "eof": false}`,
}

func supported(names ...string) string {
	var list []string
	for _, n := range names {
		list = append(list, fmt.Sprintf(`{"name": %q, "enabled": true, "success-response": true}`, n))
	}
	return strings.Join(list, ",")
}

// quiet is an error as libvirt gives it where an agent does not answer.
type quiet struct{ error }

func (quiet) Silent() bool { return true }

var mute = quiet{errors.New("Guest agent is not responding: Guest agent not available for now")}

func (s *spoken) AskAgent(_ context.Context, _, command string, _ time.Duration) (string, error) {
	var c struct {
		Execute   string `json:"execute"`
		Arguments struct {
			ID int64 `json:"id"`
		} `json:"arguments"`
	}
	if err := json.Unmarshal([]byte(command), &c); err != nil {
		return "", err
	}
	s.asked = append(s.asked, command)
	if list := s.replies[c.Execute]; len(list) > 0 {
		if len(list) > 1 {
			s.replies[c.Execute] = list[1:]
		}
		switch list[0] {
		case "mute":
			return "", mute
		case "off":
			return "", errors.New("Requested operation is not valid: domain is not running")
		}
		if list[0] != "good" {
			return list[0], nil
		}
	}
	if c.Execute == "guest-sync" {
		return fmt.Sprintf(`{"return": %d}`, c.Arguments.ID), nil
	}
	return `{"return": ` + good[c.Execute] + `}`, nil
}

func met(t *testing.T, replies map[string][]string) (*Guest, *spoken) {
	s := &spoken{}
	g, err := Meet(t.Context(), s, "grading")
	require.NoError(t, err)
	s.replies = replies
	return g, s
}

func TestMeet(t *testing.T) {
	g, _ := met(t, nil)
	assert.Equal(t, System{Linux, "Debian GNU/Linux 12 (bookworm)", "6.1.0-56-amd64", "x86_64"}, g.System)
	assert.NoError(t, g.May(Needs...))
	assert.EqualError(t, g.May("guest-exec", "guest-shutdown", "guest-dream"),
		"the agent of guest grading may not do guest-shutdown, guest-dream: the guest's own settings block that, or the agent is too old for it")
}

// Every reply that does not fit is an error in words.
func TestMeetsNobody(t *testing.T) {
	for name, c := range map[string]struct {
		command, reply, says string
	}{
		"no JSON":           {"guest-info", "\x00\x01", "the agent of guest grading answers guest-info: what is no answer to that"},
		"nothing":           {"guest-info", "", "it ends before it is whole"},
		"no object":         {"guest-info", `[1]`, "no answer to that"},
		"neither":           {"guest-info", `{"id": 1}`, "neither an answer nor an error"},
		"both":              {"guest-info", `{"return": {}, "error": {"desc": "no"}}`, "an answer and an error at once"},
		"twice":             {"guest-info", `{"return": {}, "return": {}}`, "return is there twice"},
		"null":              {"guest-info", `{"return": null}`, "want an object"},
		"another kind":      {"guest-info", `{"return": {"supported_commands": "all"}}`, "want a list"},
		"no commands":       {"guest-info", `{"return": {"supported_commands": []}}`, "a list of 0 commands"},
		"deep":              {"guest-info", `{"return": ` + strings.Repeat("[", 100) + strings.Repeat("]", 100) + `}`, "stand in one another"},
		"long":              {"guest-info", `{"return": "` + strings.Repeat("a", mostReply) + `"}`, "bytes are more than"},
		"refused":           {"guest-info", `{"error": {"class": "GenericError", "desc": "The command guest-info has been disabled"}}`, "answers guest-info: no: The command guest-info has been disabled"},
		"refused at length": {"guest-info", `{"error": {"desc": "` + strings.Repeat("ä", 400) + `"}}`, strings.Repeat("ä", 250) + "..."},
		"no system":         {"guest-info", `{"return": {"supported_commands": [` + supported(Needs...) + `]}}`, "may not do guest-get-osinfo"},
		"system of a kind":  {"guest-get-osinfo", `{"return": {"id": 3}}`, "want a text"},
		"another's reply":   {"guest-sync", `{"return": 7}`, "answers to what nobody has asked, 8 times in a row"},
		"another kind, too": {"guest-sync", `{"return": {"pid": 3}}`, "8 times in a row"},
		"silent":            {"guest-sync", "mute", "Guest agent is not responding"},
		"off":               {"guest-sync", "off", "domain is not running"},
	} {
		t.Run(name, func(t *testing.T) {
			_, err := Meet(t.Context(), &spoken{replies: map[string][]string{c.command: {c.reply}}}, "grading")
			assert.ErrorContains(t, err, c.says)
		})
	}
}

// A reply that is late, to a command that was given up on, is passed over.
func TestSyncPassesOverWhatIsLate(t *testing.T) {
	g, s := met(t, map[string][]string{"guest-sync": {`{"return": {"pid": 3}}`, `{"return": 12}`, `{"error": {"desc": "no"}}`, "good"}})
	assert.ErrorContains(t, g.sync(t.Context()), "no: no", "an error may be one of ours")
	s.replies["guest-sync"] = []string{`{"return": {"pid": 3}}`, `{"return": 12}`, "good"}
	assert.NoError(t, g.sync(t.Context()))
}

func TestBuild(t *testing.T) {
	for want, c := range map[string][3]string{
		"linux-amd64":   {"alpine", "#1 SMP", "x86_64"},
		"linux-arm64":   {"", "#97-Ubuntu SMP", "aarch64"},
		"windows-amd64": {"mswindows", "10.0", "x86_64"},
		"":              {"freebsd", "FreeBSD 13.2-RELEASE", "amd64"},
		" ":             {"debian", "#1 SMP", "riscv64"},
		"  ":            {"", "", ""},
	} {
		s, err := readSystem(fmt.Appendf(nil, `{"id": %q, "kernel-version": %q, "machine": %q}`, c[0], c[1], c[2]))
		require.NoError(t, err)
		build, err := s.Build()
		assert.Equal(t, strings.TrimSpace(want), build)
		assert.Equal(t, build == "", errors.Is(err, ErrStrange))
	}
}

func TestRun(t *testing.T) {
	for name, c := range map[string]struct {
		status, says string
	}{
		"well":               {`{"exited": true, "exitcode": 0, "out-data": "aGVsbG8="}`, ""},
		"code":               {`{"exited": true, "exitcode": 3, "err-data": "bm8KIHJvb20="}`, "mkfs in guest grading: it ended with code 3: no room"},
		"signal":             {`{"exited": true, "signal": 9}`, "signal 9 ended it"},
		"neither":            {`{"exited": true}`, "neither a code nor a signal"},
		"exited of a kind":   {`{"exited": "yes"}`, "no answer to that"},
		"nothing of its end": {`{}`, "whether it has ended is missing"},
		"no base64":          {`{"exited": true, "exitcode": 0, "out-data": "?"}`, "illegal base64"},
		"no text":            {`{"exited": true, "exitcode": 1, "out-data": "/////w=="}`, "it ended with code 1: ?"},
	} {
		t.Run(name, func(t *testing.T) {
			g, _ := met(t, map[string][]string{"guest-exec-status": {`{"return": {"exited": false}}`, `{"return": ` + c.status + `}`}})
			ended, err := g.Run(t.Context(), "mkfs")
			if c.says != "" {
				assert.ErrorContains(t, err, c.says)
				return
			}
			require.NoError(t, err)
			assert.Equal(t, "hello", string(ended.Out))
		})
	}
}

func TestWindowsCodes(t *testing.T) {
	g, s := met(t, map[string][]string{"guest-exec-status": {`{"return": {"exited": true, "signal": 3221225781}}`}})
	g.System.Kind = Windows
	_, err := g.Run(t.Context(), "cmd.exe")
	assert.ErrorContains(t, err, "Windows ended it with code 0xc0000135") // STATUS_DLL_NOT_FOUND (MS-ERREF 2.3.1)
	s.replies = map[string][]string{"guest-exec-status": {`{"return": {"exited": true, "exitcode": 0, "out-data": "QzpcV2luZG93cw0K"}}`}}
	parents, err := g.Parents(t.Context())
	require.NoError(t, err)
	assert.Equal(t, []string{`C:\Windows\Temp`}, parents)
	for _, hostile := range []string{"QyY6", "", "QzpcJSVDXC4uIA=="} {
		s.replies = map[string][]string{"guest-exec-status": {`{"return": {"exited": true, "exitcode": 0, "out-data": "` + hostile + `"}}`}}
		_, err := g.Parents(t.Context())
		assert.ErrorContains(t, err, "no folder of Windows")
	}
}

// An agent that is silent under load is waited for, one that stays silent is not.
func TestSilence(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		g, s := met(t, map[string][]string{"guest-exec-status": {"mute", "mute", `{"return": {"exited": false}}`, "mute", "good"}})
		p, err := g.Start(t.Context(), "sleep")
		require.NoError(t, err)
		looks := 0
		_, err = p.Wait(t.Context(), func() { looks++ })
		require.NoError(t, err)
		assert.Equal(t, 1, looks)

		s.replies = map[string][]string{"guest-exec-status": {"mute"}}
		_, err = p.Wait(t.Context(), func() {})
		assert.ErrorIs(t, err, mute)
		s.replies = map[string][]string{"guest-exec-status": {"off"}}
		_, err = p.Wait(t.Context(), func() {})
		assert.ErrorContains(t, err, "not running")
	})
}

// What was begun is asked to its end: nobody would know whether it was done.
func TestNothingIsBegunAfterTheEnd(t *testing.T) {
	g, s := met(t, nil)
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	asked := len(s.asked)
	_, err := g.Start(ctx, "mkfs")
	assert.ErrorContains(t, err, "guest-exec not begun")
	assert.Len(t, s.asked, asked)
}

func TestEnd(t *testing.T) {
	g, s := met(t, map[string][]string{"guest-exec-status": {`{"return": {"exited": false}}`, "good"}})
	p := Process{g, 812, "sleep"}
	require.NoError(t, p.End(t.Context()))
	assert.Contains(t, strings.Join(s.asked, "\n"), `"path":"kill","arg":["-TERM","812"]`)
	s.asked = nil
	require.NoError(t, p.End(t.Context()), "it has ended")
	assert.NotContains(t, strings.Join(s.asked, "\n"), "kill")
}

func TestPieces(t *testing.T) {
	for name, c := range map[string]struct {
		reply, says string
	}{
		"count":   {`{"count": 4, "buf-b64": "aGVsbG8=", "eof": true}`, "4 bytes, of which 5 are there"},
		"missing": {`{"buf-b64": "aGVsbG8="}`, "no count of bytes"},
		"endless": {`{"count": 0, "buf-b64": "", "eof": false}`, "it neither goes on nor ends"},
		"long":    {`{"count": 5, "buf-b64": "aGVsbG8=", "eof": false}`, "it has more than the 64 bytes that are read"},
		"huge":    {`{"count": 300000, "buf-b64": "` + strings.Repeat("AAAA", 100000) + `", "eof": false}`, "300000 bytes, where 65536 were asked for"},
		"number":  {`7`, "want an object"},
	} {
		t.Run(name, func(t *testing.T) {
			g, s := met(t, map[string][]string{"guest-file-read": {`{"return": ` + c.reply + `}`}})
			_, err := g.Fetch(t.Context(), "/result", 64, func(int) {})
			assert.ErrorContains(t, err, "read /result in guest grading: ")
			assert.ErrorContains(t, err, c.says)
			assert.Contains(t, s.asked[len(s.asked)-1], "guest-file-close")
		})
	}
}

// A program that is not in the guest what it was on the host is not started.
func TestPutChecksTheSum(t *testing.T) {
	g, s := met(t, nil)
	r, err := g.Room(t.Context(), "/var/tmp")
	require.NoError(t, err)
	assert.Regexp(t, `^/var/tmp/lendkeep-[a-z2-7]{26}$`, r.Path)
	var told []int
	require.NoError(t, r.Put(t.Context(), "p", []byte("hello"), func(done, total int) { told = append(told, done, total) }))
	assert.Equal(t, []int{5, 10}, told)
	assert.ErrorContains(t, r.Put(t.Context(), "p", []byte("hallo"), func(int, int) {}), "is not what was put there: sha256 2cf24dba")
	s.replies = map[string][]string{"guest-file-write": {`{"return": {"count": 3, "eof": false}}`}}
	assert.ErrorContains(t, r.Put(t.Context(), "p", []byte("hello"), func(int, int) {}), "3 of 5 bytes were written")
	s.replies = map[string][]string{"guest-exec": {"off"}}
	err = r.Remove(t.Context())
	assert.ErrorIs(t, err, ErrLeft)
	assert.ErrorContains(t, err, "remove "+r.Path+" in guest grading by hand")
}

func FuzzReplies(f *testing.F) {
	for _, reply := range good {
		f.Add(`{"return": ` + reply + `}`)
	}
	f.Add(`{"error": {"class": "GenericError", "desc": "no"}}`)
	f.Add(`{"return": {"exited": true, "signal": 11, "err-data": "bm8="}}`)
	f.Fuzz(func(t *testing.T, reply string) {
		inner, err := answer(reply)
		if err != nil {
			return
		}
		if p, err := readPiece(pieceBytes)(inner); err == nil {
			assert.LessOrEqual(t, len(p.content), pieceBytes)
		}
		if pid, err := readPID(inner); err == nil {
			assert.Positive(t, pid)
		}
		if n, err := readWritten(inner); err == nil {
			assert.GreaterOrEqual(t, n, 0)
		}
		if ended, err := readStatus(inner); err == nil && ended != nil {
			if err := ended.Well(); err != nil {
				assert.Less(t, len(err.Error()), 2*mostWords)
			}
		}
		if list, err := readCommands(inner); err == nil {
			assert.LessOrEqual(t, len(list), mostCommands)
		}
		if s, err := readSystem(inner); err == nil {
			_, _ = s.Build()
			assert.Less(t, len(s.Name), 2*mostWords)
		}
		_, _ = readID(inner)
		_, _ = readNothing(inner)
	})
}
