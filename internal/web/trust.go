package web

import (
	"encoding/pem"
	"net/http"
	"time"

	"gradus/internal/localca"
	"gradus/internal/record"
)

// trustBody is the page that explains how a device comes to trust this server.
type trustBody struct {
	Has         bool // the site has its own authority
	Name        string
	Fingerprint [2]string // its halves, as gradus certificate prints them
	Until       string
	Bounds      []string
	Systems     []trustSystem
}

// trustSystem is how one kind of device is told.
type trustSystem struct {
	Title string
	Steps []string
}

// trustSystems and the number of their steps; the texts are named after them.
var trustSystems = []struct {
	name  string
	steps int
}{{"windows", 4}, {"mac", 4}, {"ipad", 5}, {"android", 4}, {"linux", 3}, {"firefox", 3}}

func (s *Server) trust(w http.ResponseWriter, _ *http.Request) error {
	b := trustBody{Has: s.root != nil}
	if b.Has {
		mark := localca.Fingerprint(s.root)
		b.Name, b.Fingerprint, b.Until = s.root.Subject.CommonName, [2]string{mark[:len(mark)/2], mark[len(mark)/2+1:]}, dayText(s.root.NotAfter.UTC().Format(time.DateOnly))
		b.Bounds = append(b.Bounds, s.root.PermittedDNSDomains...)
		for _, r := range s.root.PermittedIPRanges {
			b.Bounds = append(b.Bounds, r.IP.String())
		}
	}
	for _, sys := range trustSystems {
		t := trustSystem{Title: say("trust.on." + sys.name)}
		for i := range sys.steps {
			t.Steps = append(t.Steps, say("trust.on."+sys.name+"."+string(rune('1'+i))))
		}
		b.Systems = append(b.Systems, t)
	}
	return s.show(w, http.StatusOK, frame{Page: "trust", Title: say("trust.title"), Purpose: say("trust.purpose"), Section: "settings", Body: b})
}

// giveAuthority hands out the authority's certificate, in the two forms that devices take. It is no secret.
func (s *Server) giveAuthority(w http.ResponseWriter, r *http.Request) {
	if s.root == nil {
		s.showFault(w, record.ErrNotFound)
		return
	}
	name, data := r.PathValue("file"), s.root.Raw
	switch name {
	case "gradus-authority.crt":
		w.Header().Set("Content-Type", "application/x-x509-ca-cert")
	case "gradus-authority.pem":
		w.Header().Set("Content-Type", "application/x-pem-file")
		data = pem.EncodeToMemory(&pem.Block{Type: "CERTIFICATE", Bytes: data})
	default:
		s.showFault(w, record.ErrNotFound)
		return
	}
	w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
	_, _ = w.Write(data) // the browser has gone; there is nobody to tell
}

// doctor is the page on which a script looks at the browser.
func (s *Server) doctor(w http.ResponseWriter, _ *http.Request) error {
	return s.show(w, http.StatusOK, frame{Page: "doctor", Title: say("doctor.title"), Purpose: say("doctor.purpose"), Section: "settings", Script: "doctor.js"})
}
