// Package centre lets a site that works on a record of its own, for days without a network, send what it has recorded to
// a centre: another server of this program.
//
// The site sends a person whole, with visits, findings, finished tests and their events, as often as something about the
// person has changed; its audit trail says who that is. The centre takes what it does not have yet: events are only
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

	"gradus/conduct"
	"gradus/internal/record"
)

// Path is where a centre takes parcels.
const Path = "/api/centre/parcel"

// maxParcel is the largest parcel, in bytes: a person with many tests.
const maxParcel = 64 << 20

// Parcel is a person with everything about the person that a centre takes.
type Parcel struct {
	Format   string             `json:"format"`
	Seq      int64              `json:"seq"` // how far the site's audit trail had come
	Person   record.Participant `json:"person"`
	Consents []record.Consent   `json:"consents,omitempty"`
	Visits   []Visit            `json:"visits,omitempty"`
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
	Sent    json.RawMessage `json:"sent"` // the protocol
	Events  []conduct.Event `json:"events"`
	Results []record.Result `json:"results,omitempty"`
}

const format = "gradus-parcel/1"

// Taken says what a centre took of a parcel.
type Taken struct {
	People, Visits, Tests, Facts, Events, Results int
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
	t.Alike += o.Alike
}

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
