package decode

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// event puts attributes around the members of an event; the values of the
// attributes are those of the format's examples (JSON Event Format for
// CloudEvents 1.0.2, section 3.2).
func event(more string) string {
	return `{"specversion":"1.0","type":"com.example.someevent","source":"/mycontext","id":"C234-1234-1234","time":"2026-10-26T07:00:00Z","comexampleextension1":"value","comexampleothervalue":5,"subject":null` + more + `}`
}

func TestEventsAreUnwrapped(t *testing.T) {
	const at = " @07:00:00! id /mycontext C234-1234-1234"
	for name, c := range map[string]struct {
		payload string
		want    []string
	}{
		// The four examples of section 3.2 and the batch of section 4.3.
		"JSON data": {event(`,"datacontenttype":"application/json","data":{"appinfoA":"abc","appinfoB":123,"appinfoC":true}`),
			[]string{`appinfoA="abc"` + at, "appinfoB=123" + at, "appinfoC=true" + at}},
		"a text in XML": {event(`,"unsetextension":null,"datacontenttype":"application/xml","data":"<much wow=\"xml\"/>"`),
			[]string{`=<much wow="xml"/>` + at}},
		"a JSON string without a type of content": {event(`,"data":"I'm just a string"`), []string{`="I'm just a string"` + at}},
		"a batch": {`[` + strings.Replace(event(`,"datacontenttype":"application/xml","data":"<x/>"`), `"C234`, `"B234`, 1) + `,` + strings.Replace(event(`,"data":{"appinfoB":123}`), "/mycontext", "/mycontext/9", 1) + `]`,
			[]string{"=<x/> @07:00:00! id /mycontext B234-1234-1234", "appinfoB=123 @07:00:00! id /mycontext/9 C234-1234-1234"}},
		// Section 3.1.1: binary data; the bytes are our own.
		"binary JSON":           {event(`,"datacontenttype":"application/json; charset=utf-8","data_base64":"eyJwdWxzZXMiOjF9"`), []string{"pulses=1" + at}},
		"binary without a type": {event(`,"data_base64":"eyJwdWxzZXMiOjF9"`), []string{"pulses=1" + at}},
		"binary text":           {event(`,"datacontenttype":"text/plain","data_base64":"MTIuNQ=="`), []string{"=12.5" + at}},
		"a +json type":          {event(`,"datacontenttype":"application/vnd.silo+json","data":{"d":{"cnt":[{"v":5}]},"a.b":6}`), []string{"d.cnt[0]=5" + at, "d.cnt[0].v=5" + at, `["a.b"]=6` + at}},
		"a bare number":         {event(`,"data":5`), []string{"=5" + at}},
		"null is a value":       {event(`,"data":{"a":null}`), []string{"a=null" + at}},
		"data not there":        {event(``), nil},
		"data of null":          {event(`,"data":null`), nil},
		"no time":               {strings.Replace(event(`,"data":5`), `"time":"2026-10-26T07:00:00Z"`, `"time":null`, 1), []string{"=5 @- id /mycontext C234-1234-1234"}},
		"a time that cannot be": {strings.Replace(event(`,"data":5`), "2026-10-26", "1970-10-26", 1), []string{"=5 @07:20:00 id /mycontext C234-1234-1234"}},
		"SenML in an event": {event(`,"datacontenttype":"application/senml+json","data":[{"n":"a","u":"s","v":1},{"n":"b","t":1792999140,"v":2,"ut":60},{"n":"a","v":3}]`),
			[]string{"b=2 @07:19:00! every 60 id /mycontext C234-1234-1234", "a=1 s" + at, "a=3" + at + "#2"}},
		"an empty batch": {`[]`, nil},
	} {
		t.Run(name, func(t *testing.T) {
			items, kept := readForm(cloudEventsForm, "silo/x", c.payload)
			require.Nil(t, kept)
			require.Equal(t, c.want, itemLines(items))
		})
	}
}

func TestEventsThatBreakTheRules(t *testing.T) {
	for payload, c := range map[string]struct {
		reason Reason
		detail string
	}{
		strings.Replace(event(""), `"1.0"`, `"0.3"`, 1):                       {BadForm, `specversion: "0.3" is not read`},
		strings.Replace(event(""), `"1.0"`, `1`, 1):                           {NotText, "specversion"},
		strings.Replace(event(""), `"id":"C234-1234-1234"`, `"id":""`, 1):     {BadForm, "id: every event has it"},
		strings.Replace(event(""), `"source":"/mycontext",`, ``, 1):           {BadForm, "source: every event has it"},
		strings.Replace(event(""), `"type":`, `"kind":`, 1):                   {BadForm, "type: every event has it"},
		event(`,"id":"again"`):                                                {DuplicateKey, "id: sent twice"},
		event(`,"data":1,"data":2`):                                           {DuplicateKey, "data: sent twice"},
		event(`,"data":1,"data_base64":"eA=="`):                               {BadForm, "only one of them"},
		event(`,"data_base64":"e"`):                                           {BadForm, "base64 is expected"},
		event(`,"data_base64":5`):                                             {BadForm, "base64 is expected"},
		event(`,"data_base64":"eyI="`):                                        {NotJSON, "data_base64: "},
		event(`,"data_base64":"/w=="`):                                        {NotUTF8, "data_base64: "},
		event(`,"data_base64":""`):                                            {Empty, "data_base64: "},
		event(`,"datacontenttype":"text/plain","data":5`):                     {BadForm, "text is expected"},
		event(`,"datacontenttype":"application/senml+json","data":[{"v":1}]`): {BadForm, "record 1"},
		strings.Replace(event(""), "2026-10-26T07:00:00Z", "yesterday", 1):    {BadTime, "yesterday"},
		strings.Replace(event(""), `"2026-10-26T07:00:00Z"`, "1792999140", 1): {BadTime, "RFC 3339"},
		`[` + event(`,"data":1`) + `,{"pulses":1}]`:                           {BadForm, "event 2: specversion"},
		`[` + event(`,"data":1`) + `,5]`:                                      {BadForm, "event 2: an event is an object"},
		event("") + `{}`:                                                      {TrailingData, ""},
		`5`:                                                                   {BadForm, "an event is an object"},
	} {
		items, kept := readForm(cloudEventsForm, "silo/x", payload)
		require.Empty(t, items)
		require.NotNil(t, kept, payload)
		require.Equal(t, c.reason.String(), kept.Reason.String(), "%s: %s", payload, kept.Detail)
		require.Contains(t, kept.Detail, c.detail)
	}
}

func TestEventsAreRecognisedByTheirAttributes(t *testing.T) {
	for payload, want := range map[string]bool{
		event(""): true, " \n[" + event("") + "]": true, `{"specversion":"1.0","id":"1","source":"a","type":"t"}`: true,
		`{"specversion":"1.0","id":"1","source":"a"}`: false, `{"specversion":1,"id":"1","source":"a","type":"t"}`: false,
		`[]`: false, `{"pulses":1}`: false, `[{"n":"a","v":1}]`: false, ``: false, `5`: false, `{`: false,
	} {
		require.Equal(t, want, likeEvents("x", []byte(payload)), payload)
	}
}

// Source and id are the key, whatever their length, and never another's.
func TestKeysOfEventsAreTheirOwn(t *testing.T) {
	require.Equal(t, "/a 1", keyOf("/a", "1"))
	require.NotEqual(t, keyOf("/a", "1 2"), keyOf("/a/1", "2"))
	long := strings.Repeat("x", 200)
	require.LessOrEqual(t, len(keyOf(long, "1")), MaxText)
	require.NotEqual(t, keyOf(long, "1"), keyOf(long, "2"))
	require.Equal(t, keyOf(long, "1"), keyOf(long, "1"))
}
