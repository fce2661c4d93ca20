// Package centre lets a site that works on a record of its own, for days without a network, send what it has recorded to
// a centre: another server of this program.
//
// The site sends a person whole, with visits, findings and all that belongs to finished tests, as often as something about
// the person has changed; its audit trail says who that is. The centre takes what it does not have yet: events are only
// added, so nothing can conflict, the same parcel twice changes nothing, and a sending that broke off goes on where it
// was. Each request is signed with a key that the centre has made for this site. At the centre the people of each site
// stay its own, so the codes of two sites may be the same; who may be the same person is listed there for merging.
package centre

import (
	"crypto/hmac"
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"strconv"
	"time"

	"gradus/conduct"
	"gradus/internal/record"
)

// Path is where a centre takes parcels.
const Path = "/api/centre/parcel"

// maxParcel is the largest parcel that a centre takes, in bytes. A site sends far smaller ones; a single test may be large.
const maxParcel = 64 << 20

// fullParcel is how large a parcel grows, in bytes, before another one is begun: what a sending needs in memory.
var fullParcel = 4 << 20

// Parcel is a part of what a site has recorded: of a person, of its machines and deletions, or of a test's samples.
type Parcel struct {
	Format  string   `json:"format"`
	Record  string   `json:"record"` // which record of a site it is from: the hash of the first entry of its trail
	Seq     int64    `json:"seq"`    // how far the site's audit trail had come
	Person  *Person  `json:"person,omitempty"`
	House   *House   `json:"house,omitempty"`
	Samples *Samples `json:"samples,omitempty"`
}

// Person is somebody with what is known and some or all of what was done.
type Person struct {
	record.Participant
	Consents []record.Consent `json:"consents,omitempty"`
	Merges   []record.Merge   `json:"merges,omitempty"`
	Visits   []Visit          `json:"visits,omitempty"`
}

// Visit is a day with what was found and done.
type Visit struct {
	record.Visit
	Facts []record.Fact `json:"facts,omitempty"`
	Tests []Test        `json:"tests,omitempty"`
}

// Test is a finished test.
type Test struct {
	record.Test
	Sent          json.RawMessage       `json:"sent"` // the protocol
	Events        []conduct.Event       `json:"events"`
	Results       []record.Result       `json:"results,omitempty"`
	Papers        []record.Paper        `json:"papers,omitempty"`
	Countersigns  []record.Countersign  `json:"countersigns,omitempty"`
	Reassignments []record.Reassignment `json:"reassignments,omitempty"`
	Blocks        int                   `json:"blocks,omitempty"` // of samples, which go in parcels of their own
}

// House is what belongs to no person: machines, and who was deleted.
type House struct {
	Machines []Machine `json:"machines,omitempty"`
	Erased   []Erased  `json:"erased,omitempty"`
}

// Machine is a machine with all its versions and control runs.
type Machine struct {
	ID       int64               `json:"id"`
	Versions []record.Machine    `json:"versions"`
	Runs     []record.ControlRun `json:"runs,omitempty"`
}

// Erased is somebody whom the site has deleted.
type Erased struct {
	Person  int64     `json:"person"`
	Created time.Time `json:"created"` // when the site had added the person
	By      string    `json:"by"`
	Why     string    `json:"why"`
}

// Samples are blocks of one test.
type Samples struct {
	Test   string         `json:"test"`
	Blocks []record.Block `json:"blocks"`
}

const format = "gradus-parcel/3"

// Taken counts what a centre took of a parcel.
type Taken struct {
	People, Visits, Tests, Facts, Events, Results int
	Consents, Papers, Countersigns, Merges        int
	Machines                                      int // versions and control runs
	Samples                                       int // blocks
	Alike                                         int // who may be the same person, at the centre
}

// Add adds what another answer says.
func (t *Taken) Add(o Taken) {
	t.People += o.People
	t.Visits += o.Visits
	t.Tests += o.Tests
	t.Facts += o.Facts
	t.Events += o.Events
	t.Results += o.Results
	t.Consents += o.Consents
	t.Papers += o.Papers
	t.Countersigns += o.Countersigns
	t.Merges += o.Merges
	t.Machines += o.Machines
	t.Samples += o.Samples
	t.Alike += o.Alike
}

// Answer is what a centre says to a parcel.
type Answer struct {
	Taken
	Gone     bool     `json:",omitempty"` // the person was deleted at the centre; nothing was taken
	Lacking  []string `json:",omitempty"` // tests of which samples are missing
	Unmerged bool     `json:",omitempty"` // the centre shows the person otherwise and cannot follow a merge
	Erased   []int64  `json:",omitempty"` // who was deleted now
	Stays    []Stays  `json:",omitempty"` // who was not
}

// Stays is somebody whom the centre did not delete, and why.
type Stays struct {
	Person int64
	Why    string
}

// Kinds says of each table of a record whether its rows are sent; of one that stays, the reason. A test compares it with
// the schema.
var Kinds = map[string]string{
	"participants": sentAlong, "identifiers": sentAlong, "consents": sentAlong, "merges": sentAlong, "visits": sentAlong,
	"facts": sentAlong, "tests": sentAlong, "events": sentAlong, "samples": sentAlong, "reassignments": sentAlong,
	"results": sentAlong, "papers": sentAlong, "countersigns": sentAlong, "machines": sentAlong,
	"machine_versions": sentAlong, "control_runs": sentAlong, "erasures": sentAlong,

	"sites":          "the centre has its own list; to it this site is one",
	"accounts":       "who may sign in at the site may not at the centre",
	"passkeys":       "who may sign in at the site may not at the centre",
	"recovery_codes": "who may sign in at the site may not at the centre",
	"resets":         "who may sign in at the site may not at the centre",
	"sessions":       "who is signed in at the site",
	"attempts":       "wrong tries at the site's door",
	"audit":          "each record has a trail of its own; the centre's tells what came from which site",
	"digests":        "part of the trail",
	"touched":        "empty between two writings",
	"kept":           "keys of the server and its card, nothing about people",
	"files":          "what the site has chosen, as own protocols; each test carries the protocol it was made with",
	"study_codes":    "with them the site's de-identified exports could be turned back",
	"links":          "whether people of different sites are one is decided at the centre",
	"to_complete":    "what an upgrade has left to do",
	"schema_version": "the version of the site's schema",
	"schema_sum":     "the version of the site's schema",
}

const sentAlong = "" // no reason to stay

// Key is what a centre gives to a site.
type Key struct {
	Site int64  `json:"site"` // at the centre
	Name string `json:"name"`
	Key  string `json:"key"` // 64 hexadecimal digits
}

// NewKey draws a key.
func NewKey(site record.Site) Key {
	b := make([]byte, 32)
	rand.Read(b)
	return Key{Site: site.ID, Name: site.Name, Key: hex.EncodeToString(b)}
}

// ParseKey reads the file of a key.
func ParseKey(text []byte, name string) (k Key, err error) {
	if err = json.Unmarshal(text, &k); err != nil {
		return k, fmt.Errorf("%s: it is no key of a site: %w", name, err)
	}
	if b, err := hex.DecodeString(k.Key); err != nil || len(b) != 32 || k.Site < 1 {
		return k, fmt.Errorf("%s: it is no key of a site; the centre makes one with gradus sync key", name)
	}
	return k, nil
}

// The headers of a request.
const (
	siteHeader = "Gradus-Site"
	signHeader = "Gradus-Signature"
)

// sign is the proof that a site with its key sent a body.
func (k Key) sign(body []byte) string {
	key, _ := hex.DecodeString(k.Key)
	m := hmac.New(sha256.New, key)
	fmt.Fprintf(m, "POST %s\n%d\n", Path, k.Site)
	m.Write(body)
	return hex.EncodeToString(m.Sum(nil))
}

func (k Key) signed(body []byte, proof string) bool {
	return hmac.Equal([]byte(k.sign(body)), []byte(proof))
}

func keyName(site int64) string { return "centre/key/" + strconv.FormatInt(site, 10) }

// recordName is where a centre keeps from which record a site sends.
func recordName(site int64) string { return fmt.Sprintf("centre/record/%d", site) }

// personName and machineName are the names under which a centre keeps who a person or which a machine of a site is there.
func personName(site, id int64) string  { return fmt.Sprintf("centre/person/%d/%d", site, id) }
func machineName(site, id int64) string { return fmt.Sprintf("centre/machine/%d/%d", site, id) }
