package decode

import (
	"strings"
	"testing"

	"github.com/stretchr/testify/require"
)

// The layouts are those of the examples in OPC 10000-14, Annex A.3.3.5 and
// A.3.4.5 (release 1.05), with values of our own.
func TestOPCUAMessages(t *testing.T) {
	const head = `{"MessageId":"32","MessageType":"ua-data","PublisherId":"gw-silo","Messages":[`
	for name, c := range map[string]struct {
		payload string
		want    []string
	}{
		"bare values": {head + `{"DataSetWriterId":101,"SequenceNumber":68468,"MinorVersion":672341762,"Timestamp":"2026-10-26T07:00:00.555Z","Payload":{"Active":true,"Temperature":25.5,"Counter":0,"Info":"runs"}}]}`,
			[]string{"101.Active=true @07:00:00.555! id 32 0", "101.Temperature=25.5 @07:00:00.555! id 32 0", "101.Counter=0 @07:00:00.555! id 32 0", `101.Info="runs" @07:00:00.555! id 32 0`}},
		"several writers, structures": {head + `{"DataSetWriterName":"Elevator","Payload":{"At":{"X":0,"Y":0.2}}},{"DataSetWriterId":"102","Payload":{"List":[20030,20020]}}]}`,
			[]string{"Elevator.At.X=0 @- id 32 0", "Elevator.At.Y=0.2 @- id 32 0", "102.List[0]=20030 @- id 32 1", "102.List[1]=20020 @- id 32 1"}},
		"data values": {`{"MessageType":"ua-data","Messages":[{"DataSetWriterId":5,"Timestamp":"2026-10-26T07:00:00Z","Payload":{"Pulses":{"Value":15235,"SourceTimestamp":"2026-10-26T06:59:59.8Z"},"Level":{"Value":63.5,"StatusCode":0,"SourcePicoseconds":5},"Hours":{"Value":12558.5}}}]}`,
			[]string{"5.Pulses=15235 @06:59:59.8!", "5.Level=63.5 @07:00:00!", "5.Hours=12558.5 @07:00:00!"}},
		"variants": {`{"MessageType":"ua-data","Messages":[{"Payload":{"A":{"Type":11,"Body":12558.5},"B":{"UaType":8,"Value":"15235"},"C":{"Value":{"Type":6,"Body":7},"StatusCode":0},"D":{"UaType":11,"Value":1.5,"SourceTimestamp":"2026-10-26T07:00:00Z"},"E":{"Type":6,"Body":[1,2],"Dimensions":[2]}}}]}`,
			[]string{"A=12558.5 @-", `B="15235" @-`, "C=7 @-", "D=1.5 @07:00:00!", "E[0]=1 @-", "E[1]=2 @-"}},
		// 0x40000000 is uncertain and 0x80000000 bad, as A.3.3.5 and A.3.4.5
		// name them.
		"only what is good": {`{"MessageType":"ua-data","Messages":[{"Payload":{"A":{"Value":1,"Status":{"Code":1073741824,"Symbol":"Uncertain"}},"B":{"Value":2,"StatusCode":2147483648},"C":{"StatusCode":{"Code":2147483648,"Symbol":"Bad"}},"D":{"Value":4,"StatusCode":10420224},"E":{"Value":5,"StatusCode":4294967295},"F":{"Value":6,"StatusCode":{}}}}]}`,
			[]string{"A=1 @-: uncertain by its status code 0x40000000", "B=2 @-: bad by its status code 0x80000000", "C=null @-: bad by its status code 0x80000000", "D=4 @-", "E=5 @-: bad by its status code 0xFFFFFFFF", "F=6 @-"}},
		"the status of all": {`{"MessageType":"ua-data","Messages":[{"Status":{"Code":1073741824},"Payload":{"A":1}},{"Status":2147483648,"Payload":{"A":2}},{"Status":0,"Payload":{"A":3}}]}`,
			[]string{"A=1 @-: uncertain by its status code 0x40000000", "A=2 @-: bad by its status code 0x80000000", "A=3 @-"}},
		"a single message":                {`{"MessageType":"ua-data","Messages":{"DataSetWriterId":5,"Payload":{"A":1}}}`, []string{"5.A=1 @-"}},
		"no network message around":       {`{"PublisherId":"gw-silo","DataSetWriterId":101,"MessageType":"ua-deltaframe","Payload":{"A":1}}`, []string{"101.A=1 @-"}},
		"a list of such":                  {`[{"DataSetWriterId":1,"Payload":{"A":1}},{"DataSetWriterId":2,"Payload":{"A":2}}]`, []string{"1.A=1 @-", "2.A=2 @-"}},
		"no headers at all":               {`{"Pulses":5}`, []string{"Pulses=5 @-"}},
		"messages without headers":        {`{"MessageType":"ua-data","Messages":[{"Pulses":5}]}`, []string{"Pulses=5 @-"}},
		"no time":                         {`{"Messages":[{"Timestamp":"1601-01-01T00:00:00Z","Payload":{"A":1}}],"MessageType":"ua-data"}`, []string{"A=1 @-"}},
		"an object that looks like value": {`{"MessageType":"ua-data","Messages":[{"Payload":{"A":{"Value":1,"Unit":"h"},"B":{"Type":"x","Body":2}}}]}`, []string{"A.Value=1 @-", `A.Unit="h" @-`, `B.Type="x" @-`, "B.Body=2 @-"}},
		"null":                            {`{"MessageType":"ua-data","Messages":[{"Payload":{"A":null,"B":{"Value":null}}}]}`, []string{"A=null @-", "B=null @-"}},
		// Known, and without content.
		"keep-alive":                {head + `{"DataSetWriterId":101,"SequenceNumber":1,"MessageType":"ua-keepalive"},{"DataSetWriterName":"x"}]}`, nil},
		"keep-alive on its own":     {`{"DataSetWriterId":101,"MessageType":"ua-keepalive"}`, nil},
		"metadata":                  {`{"MessageId":"1","MessageType":"ua-metadata","PublisherId":"gw-silo","DataSetWriterId":5,"MetaData":{"Name":"x"}}`, nil},
		"status":                    {`{"MessageId":"1","MessageType":"ua-status","PublisherId":"gw-silo","Status":3}`, nil},
		"a connection":              {`{"MessageType":"ua-connection"}`, nil},
		"a network message of none": {head + `]}`, nil},
	} {
		t.Run(name, func(t *testing.T) {
			items, kept := readForm(opcuaForm, "opcua/json/data/gw-silo/1", c.payload)
			require.Nil(t, kept)
			require.Equal(t, c.want, itemLines(items))
		})
	}
}

func TestOPCUAMessagesThatBreakTheRules(t *testing.T) {
	data := func(more string) string { return `{"MessageType":"ua-data","Messages":[{` + more + `}]}` }
	for payload, c := range map[string]struct {
		reason Reason
		detail string
	}{
		`5`:                                      {BadForm, "is an object"},
		`[5]`:                                    {BadForm, "Messages[0]: an object"},
		`{"MessageType":5}`:                      {NotText, "MessageType"},
		`{"MessageType":"ua-data"}`:              {BadForm, "Messages: not there"},
		`{"MessageType":"ua-data","Messages":5}`: {BadForm, "a list is expected"},
		`{"MessageType":"ua-data","Messages":[],"Messages":[]}`: {DuplicateKey, "Messages"},
		`{"MessageId":5,"MessageType":"ua-data","Messages":[]}`: {NotText, "MessageId"},
		data(`"Payload":5`):                                                              {BadForm, "Payload: an object"},
		data(`"Payload":{},"Payload":{}`):                                                {DuplicateKey, "Payload"},
		data(`"Timestamp":"yesterday","Payload":{}`):                                     {BadTime, "Timestamp"},
		data(`"Timestamp":1792999140,"Payload":{}`):                                      {BadTime, "Timestamp"},
		data(`"Status":"Bad","Payload":{}`):                                              {BadForm, "no status code"},
		data(`"Status":-1,"Payload":{}`):                                                 {BadForm, "no status code"},
		data(`"Status":4294967296,"Payload":{}`):                                         {BadForm, "no status code"},
		data(`"Payload":{"A":{"Value":1,"Value":2,"StatusCode":0}}`):                     {DuplicateKey, "A.Value"},
		data(`"Payload":{"A":{"Value":1,"SourceTimestamp":"x"}}`):                        {BadTime, "A.SourceTimestamp"},
		data(`"DataSetWriterName":"` + strings.Repeat("w", 513) + `","Payload":{"A":1}`): {NotText, "DataSetWriterName"},
		`{"MessageType":"ua-data","Messages":[`:                                          {NotJSON, "cut off"},
	} {
		items, kept := readForm(opcuaForm, "opcua/json/data/gw-silo/1", payload)
		require.Empty(t, items)
		require.NotNil(t, kept, payload)
		require.Equal(t, c.reason.String(), kept.Reason.String(), "%s: %s", payload, kept.Detail)
		require.Contains(t, kept.Detail, c.detail)
	}
}

func TestOPCUAIsRecognisedByItsHeaders(t *testing.T) {
	for payload, want := range map[string]bool{
		`{"MessageType":"ua-data"}`: true, `{"MessageId":"1","Messages":[]}`: true, `{"PublisherId":"1","Messages":{}}`: true,
		`{"DataSetWriterId":5,"Payload":{}}`: true, ` {"MessageType":"ua-metadata"}`: true,
		`{"Messages":[]}`: false, `{"Payload":{}}`: false, `{"MessageType":"data"}`: false, `{"Pulses":1}`: false, `[{"Payload":{}}]`: false, `5`: false, ``: false, `{`: false,
	} {
		require.Equal(t, want, likeOPCUA("x", []byte(payload)), payload)
	}
}
