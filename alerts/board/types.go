package board

import (
	"net/http"
	"slices"
	"strings"

	"dwindle/alerts/alarm"
)

// typeView is one alarm type of the master table in words.
type typeView struct {
	alarm.Definition
	Owner    string
	Cause    string
	If       string
	Cautions []string
	Steps    []string
	Suppress []string
}

// types shows what can be raised and why, so that a limit can be argued about.
func (b *board) types(_ *http.Request, v *view) error {
	v.Title, v.Nav, v.template = "Alarm types", "alarms", "types.html"
	var out []typeView
	for _, d := range alarm.Definitions() {
		t := typeView{Definition: d, Owner: roleName(v.Site, d.Owner)}
		for i := range v.Site.Roles {
			if slices.Contains(v.Site.Roles[i].Alarms, string(d.Type)) {
				t.Owner = roleName(v.Site, v.Site.Roles[i].ID)
				break
			}
		}
		var response []string
		t.Cause, t.If, response = d.Texts(nil)
		for _, step := range response {
			if c, ok := strings.CutPrefix(step, "Caution. "); ok {
				t.Cautions = append(t.Cautions, c)
			} else {
				t.Steps = append(t.Steps, step)
			}
		}
		for _, r := range d.Suppress {
			t.Suppress = append(t.Suppress, string(r)+" "+r.Words())
		}
		out = append(out, t)
	}
	v.Body = out
	return nil
}
