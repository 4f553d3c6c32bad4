package health

import (
	"encoding/json"
	"net/http"
)

// Probe is the answer to one question that a machine asks, such as "does it
// live?" or "is it ready?": the checks that make the answer no, and beside
// them whatever else is wrong.
type Probe struct {
	Failing []Check // make the answer no
	Others  []Check // wrong as well, but no reason for a no
}

// OK says whether the answer is yes.
func (p Probe) OK() bool { return len(p.Failing) == 0 }

// MarshalJSON writes {"status":"ok","failing":[],"others":[]}; status is
// "failing" where a check fails.
func (p Probe) MarshalJSON() ([]byte, error) {
	out := struct {
		Status  string  `json:"status"`
		Failing []Check `json:"failing"`
		Others  []Check `json:"others"`
	}{"ok", append([]Check{}, p.Failing...), append([]Check{}, p.Others...)}
	if !p.OK() {
		out.Status = "failing"
	}
	return json.Marshal(out)
}

// ServeHTTP answers 200 for yes and 503 for no, with the probe as JSON.
func (p Probe) ServeHTTP(w http.ResponseWriter, _ *http.Request) {
	body, err := json.Marshal(p)
	if err != nil { // texts and times: cannot happen
		http.Error(w, "the answer could not be made", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	w.Header().Set("Cache-Control", "no-store")
	if !p.OK() {
		w.WriteHeader(http.StatusServiceUnavailable)
	}
	_, _ = w.Write(append(body, '\n'))
}
