// Package prepare makes what dwindle needs in an InfluxDB 2: the bucket with its
// retention, and where a site wants it the bucket of daily figures with the task
// that fills it. It compares with what is there, changes only what loses nothing,
// and says what it did. Start with [Stores].
package prepare

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"regexp"
	"strings"
	"time"

	influxdb2 "github.com/influxdata/influxdb-client-go/v2"
	"github.com/influxdata/influxdb-client-go/v2/api"
	"github.com/influxdata/influxdb-client-go/v2/domain"

	"dwindle/collector/influx/connect"
	"dwindle/config"
)

// Options are what is to be made where.
type Options struct {
	Influx *config.Influx // with its files found
	Site   string         // id; the task takes the readings of this site
	Zone   string         // IANA name; days are counted in it
	Token  string         // of an operator; see Scope
}

// Scope is what the token of an operator has to allow, and no more is used.
const Scope = "reading the organisation, reading and writing its buckets, reading and writing its tasks"

// Step is one thing that was looked at.
type Step struct {
	What string // such as: bucket lube
	Did  Did
	Note string // what was found or left; may be empty
}

// Did says what was done.
type Did string

// What is done with one thing.
const (
	Made    Did = "made"    // it was not there
	Kept    Did = "kept"    // it is as it should be
	Changed Did = "changed" // to what it should be; nothing is lost
	Left    Did = "left"    // it is not as it should be, and changing it would lose something
)

// Prepared is what is there now.
type Prepared struct {
	Steps         []Step
	OrgID         string
	BucketID      string
	DailyBucketID string // empty: none is wanted
}

// Bounds of the work: a server that does not answer must not hold a terminal
// for ever.
const requestTime = 20 * time.Second

// Parts of a bucket are dropped as a whole when they are older than its
// retention. Each costs memory and a file, and a write that reaches back over
// many of them takes long: four weeks make 13 of a year. A retention of less
// than a year has the server's own, shorter ones. Both are proposals.
const (
	shardSpan = 28 * 24 * time.Hour
	longSpan  = 365 * 24 * time.Hour
)

// Stores makes what is missing. What was done until a fault is in Steps even so.
func Stores(ctx context.Context, o Options) (Prepared, error) {
	p := &preparing{o: o}
	client, err := p.connect()
	if err != nil {
		return p.done, err
	}
	defer p.base.CloseIdleConnections() // the library closes those of its own clients only
	p.client = client
	err = p.all(ctx)
	return p.done, err
}

type preparing struct {
	o      Options
	client influxdb2.Client
	base   *http.Transport
	done   Prepared
}

func (p *preparing) all(ctx context.Context) error {
	org, err := p.client.OrganizationsAPI().FindOrganizationByName(ctx, p.o.Influx.Organisation)
	if err != nil {
		return p.fault("find organisation "+p.o.Influx.Organisation, err)
	}
	if org.Id == nil {
		return fmt.Errorf("find organisation %s at %s: the server gave none", p.o.Influx.Organisation, p.o.Influx.URL)
	}
	p.done.OrgID = *org.Id
	p.say("organisation "+org.Name, Kept, "it is there; dwindle makes none")
	if p.done.BucketID, err = p.bucket(ctx, p.o.Influx.Bucket, p.o.Influx.Retention, "readings, facts and daily results of dwindle"); err != nil {
		return err
	}
	if p.o.Influx.DailyBucket == "" {
		return nil
	}
	// Daily figures are few and are what is left when readings have gone.
	if p.done.DailyBucketID, err = p.bucket(ctx, p.o.Influx.DailyBucket, 0, "daily figures of readings, made by a task of dwindle"); err != nil {
		return err
	}
	return p.task(ctx)
}

// connect makes a client; nothing is sent yet. The token of an operator goes to
// the named server alone: neither by a proxy that the environment names, nor to
// where the server sends us on.
func (p *preparing) connect() (influxdb2.Client, error) {
	p.base = connect.Transport(requestTime)
	if file := p.o.Influx.CAFile; file != "" {
		var err error
		if p.base.TLSClientConfig, err = connect.Trust(file); err != nil {
			return nil, err
		}
	}
	client := connect.Client(p.base, requestTime)
	return influxdb2.NewClientWithOptions(p.o.Influx.URL, p.o.Token, influxdb2.DefaultOptions().SetHTTPClient(client).SetLogLevel(0)), nil
}

func (p *preparing) say(what string, did Did, note string) {
	p.done.Steps = append(p.done.Steps, Step{What: what, Did: did, Note: note})
}

// refused fits what the library makes of the answers 401, 403, 404 and of a
// conflict: it gives the server's code as text, and no status. What a token may
// not see is not found, and then in the way when it is to be made.
var refused = regexp.MustCompile(`^(unauthorized|forbidden|not found|conflict)\b|^40[134]\b|not found$|unauthorized$|already exists`)

// fault says what was being done, and what the answer means for the token.
func (p *preparing) fault(doing string, err error) error {
	hint := ""
	if refused.MatchString(err.Error()) {
		hint = "; the token has to allow " + Scope
	}
	return fmt.Errorf("%s at %s: %w%s", doing, p.o.Influx.URL, err, hint)
}

// bucket makes a bucket, or compares its retention. One that keeps longer than it
// should is left: to shorten it would delete.
func (p *preparing) bucket(ctx context.Context, name string, keep time.Duration, about string) (id string, err error) {
	what := "bucket " + name
	b, err := p.find(ctx, name)
	if err != nil {
		return "", p.fault("look for "+what, err)
	}
	rule := domain.RetentionRule{EverySeconds: int64(keep / time.Second)}
	if keep == 0 || keep >= longSpan {
		span := int64(shardSpan / time.Second)
		rule.ShardGroupDurationSeconds = &span
	}
	if b == nil {
		made, err := p.client.BucketsAPI().CreateBucket(ctx, &domain.Bucket{Name: name, OrgID: &p.done.OrgID, Description: &about, RetentionRules: domain.RetentionRules{rule}})
		if err != nil {
			return "", p.fault("make "+what, err)
		}
		p.say(what, Made, keeps(keep))
		return *made.Id, nil
	}
	has := time.Duration(0)
	for _, r := range b.RetentionRules {
		has = time.Duration(r.EverySeconds) * time.Second
	}
	switch {
	case has == keep:
		p.say(what, Kept, keeps(has))
	case has == 0 || keep > 0 && keep < has:
		p.say(what, Left, fmt.Sprintf("it %s; stores.influx.retention asks for less, which would delete what is older: `influx bucket update --id %s --retention %s` does", keeps(has), *b.Id, hours(keep)))
	default:
		b.RetentionRules = domain.RetentionRules{rule}
		if _, err := p.client.BucketsAPI().UpdateBucket(ctx, b); err != nil {
			return "", p.fault("change the retention of "+what, err)
		}
		p.say(what, Changed, fmt.Sprintf("it kept for %s and now %s", hours(has), keeps(keep)))
	}
	return *b.Id, nil
}

// find looks through the organisation's buckets: to ask for one by its name gives
// an error where there is none, which looks like others.
func (p *preparing) find(ctx context.Context, name string) (*domain.Bucket, error) {
	const page = 100
	for offset := 0; ; offset += page {
		found, err := p.client.BucketsAPI().FindBucketsByOrgID(ctx, p.done.OrgID, api.PagingWithLimit(page), api.PagingWithOffset(offset))
		if err != nil || found == nil {
			return nil, err
		}
		for i := range *found {
			if b := &(*found)[i]; b.Name == name && b.Id != nil {
				return b, nil
			}
		}
		if len(*found) < page {
			return nil, nil
		}
	}
}

func keeps(d time.Duration) string {
	if d == 0 {
		return "keeps for ever"
	}
	return "keeps for " + hours(d)
}

func hours(d time.Duration) string {
	if d%time.Hour == 0 {
		return fmt.Sprintf("%dh", d/time.Hour)
	}
	return d.String()
}

// task makes the task that fills the daily bucket, or brings its script to what
// it should be. A task that was switched off stays off.
func (p *preparing) task(ctx context.Context) error {
	name := TaskName(p.o.Site)
	what := "task " + name
	script, err := Script(p.o.Site, p.o.Zone, p.o.Influx.Bucket, p.o.Influx.DailyBucket)
	if err != nil {
		return err
	}
	filter := &api.TaskFilter{Name: name, OrgID: p.done.OrgID}
	found, err := p.client.TasksAPI().FindTasks(ctx, filter)
	if err != nil {
		return p.fault("look for "+what, err)
	}
	if len(found) == 0 {
		made, err := p.client.TasksAPI().CreateTaskByFlux(ctx, script, p.done.OrgID)
		if err != nil {
			return p.fault("make "+what, err)
		}
		// A token that may not read tasks finds none, and would make another each
		// time.
		if found, err = p.client.TasksAPI().FindTasks(ctx, filter); err == nil && len(found) == 0 {
			err = p.client.TasksAPI().DeleteTaskWithID(ctx, made.Id)
			return errors.Join(fmt.Errorf("make %s at %s: it was made, could not be found again, and was removed; the token has to allow %s", what, p.o.Influx.URL, Scope), err)
		} else if err != nil {
			return p.fault("look for "+what+", which was made", err)
		}
		p.say(what, Made, taskNote)
		return nil
	}
	t, note := found[0], taskNote
	if len(found) > 1 {
		note = fmt.Sprintf("there are %d of this name, of which the first was looked at; remove the others", len(found))
	}
	if t.Status != nil && *t.Status != domain.TaskStatusTypeActive {
		note = "it is switched off and stays so: `influx task update --id " + t.Id + " --status active` switches it on"
	}
	if t.Flux == script {
		p.say(what, Kept, note)
		return nil
	}
	// Only the script: a status in the same request would switch it on.
	_, err = p.client.APIClient().PatchTasksID(ctx, &domain.PatchTasksIDAllParams{TaskID: t.Id, Body: domain.PatchTasksIDJSONRequestBody{Flux: &script}})
	if err != nil {
		return p.fault("change "+what, err)
	}
	p.say(what, Changed, "its script differed from the one of this version; "+note)
	return nil
}

// Token is how to make a token that allows what it is for and nothing else.
type Token struct {
	For     string
	Command string // for the command line of InfluxDB
}

// Tokens says how to make the tokens of every day.
func Tokens(o Options, p Prepared) []Token {
	org := shellWord(o.Influx.Organisation)
	read := " --read-bucket " + p.BucketID
	if p.DailyBucketID != "" {
		read += " --read-bucket " + p.DailyBucketID
	}
	return []Token{
		{"dwindle serve, which forwards and takes back (stores.influx.token_file)", fmt.Sprintf("influx auth create --org %s --write-bucket %s --description %q", org, p.BucketID, "dwindle serve at "+o.Site)},
		{"an analyst, and a machine with journal: influx", fmt.Sprintf("influx auth create --org %s%s --description %q", org, read, "reading "+o.Site)},
	}
}

// shellWord quotes a text for a shell where it needs to be.
func shellWord(s string) string {
	if plainWord.MatchString(s) {
		return s
	}
	return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'"
}

var plainWord = regexp.MustCompile(`^[A-Za-z0-9._-]+$`)
