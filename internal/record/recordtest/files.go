package recordtest

import (
	"strings"
	"testing"
	"time"

	"gradus/internal/record"
)

func files(t *testing.T, b *bench) {
	_, err := b.File(ctx, record.FileProtocol, "bike", "1")
	missing(t, "a file that was never kept", err)
	kept := must(b.KeepFile(ctx, record.File{Kind: record.FileProtocol, Name: "bike", Version: "1", Title: "Bike", Content: []byte("a: 1"), By: "KL"}, false))(t)
	if kept.ID == 0 || kept.At.IsZero() {
		t.Errorf("kept %+v", kept)
	}
	other := b.another(t) // what one server keeps another sees
	equal(t, "by another store", must(other.File(ctx, record.FileProtocol, "bike", "1"))(t), kept)
	equal(t, "the same once more", must(b.KeepFile(ctx, record.File{Kind: record.FileProtocol, Name: "bike", Version: "1", Content: []byte("a: 1"), By: "XY"}, false))(t), kept)
	_, err = other.KeepFile(ctx, record.File{Kind: record.FileProtocol, Name: "bike", Version: "1", Content: []byte("a: 2")}, false)
	equal(t, "another content", *refused[*record.FileTakenError](t, "taken", err), record.FileTakenError{Kind: record.FileProtocol, Name: "bike", Version: "1"})
	must(other.KeepFile(ctx, record.File{Kind: record.FileProtocol, Name: "bike", Version: "2", Content: []byte("a: 2")}, false))(t)
	must(b.KeepFile(ctx, record.File{Kind: record.FileMapping, Name: "bike", Content: []byte("m")}, true))(t)
	over := must(b.KeepFile(ctx, record.File{Kind: record.FileMapping, Name: "bike", Content: []byte("n"), By: "KL"}, true))(t)
	equal(t, "in its place", must(other.FilesOf(ctx, record.FileMapping))(t), []record.File{over})
	list := must(other.FilesOf(ctx, record.FileProtocol))(t)
	if len(list) != 2 || list[0].Version != "1" || string(list[1].Content) != "a: 2" {
		t.Errorf("list %+v", list)
	}
	for _, bad := range []record.File{{Name: "x", Content: []byte("x")}, {Kind: "x", Content: []byte("x")}, {Kind: "x", Name: "x"}, {Kind: "x", Name: strings.Repeat("x", 201), Content: []byte("x")}} {
		_, err := b.KeepFile(ctx, bad, true)
		refused[*record.InvalidError](t, "bad", err)
	}
	must(b.KeepFile(ctx, record.File{Kind: record.FileProtocol, Name: "walk", Version: "1", Content: []byte("a: 3")}, false))(t)
	drop := func(age time.Duration, most, left int) {
		t.Helper()
		if err := b.DropOldFiles(ctx, record.FileProtocol, age, most); err != nil {
			t.Fatal(err)
		}
		equal(t, "files left", len(must(b.FilesOf(ctx, record.FileProtocol))(t)), left)
	}
	drop(time.Hour, 2, 3)
	drop(time.Hour, 1, 1) // both versions of the older one go
	drop(-time.Hour, 2, 0)
	if err := b.DropFiles(ctx, record.FileMapping, "bike"); err != nil {
		t.Fatal(err)
	}
	equal(t, "what is left", len(must(b.FilesOf(ctx, record.FileProtocol))(t))+len(must(b.FilesOf(ctx, record.FileMapping))(t)), 0)
}

func studyCodes(t *testing.T, b *bench) {
	equal(t, "at first", must(b.StudyCodes(ctx, 0))(t), map[string]string{})
	must(b.KeepStudyCodes(ctx, 0, map[string]string{"P-1": "S-1", "P-2": "S-2"}))(t)
	other := b.another(t)
	// Another server that drew for the same people gets what holds.
	equal(t, "drawn twice", must(other.KeepStudyCodes(ctx, record.FirstSite, map[string]string{"P-1": "S-8", "P-3": "S-3"}))(t), map[string]string{"P-1": "S-1", "P-2": "S-2", "P-3": "S-3"})
	north := must(b.AddSite(ctx, record.Site{Name: "North"}))(t)
	equal(t, "of another site", must(b.KeepStudyCodes(ctx, north.ID, map[string]string{"P-1": "S-4", "P-9": "S-1"}))(t), map[string]string{"P-1": "S-4"}) // S-1 is somebody's
	equal(t, "of the first", len(must(b.StudyCodes(ctx, 0))(t)), 3)

	p := b.person(t, "P-2")
	p.Code = "P-2b"
	if err := b.UpdateParticipant(ctx, p); err != nil {
		t.Fatal(err)
	}
	equal(t, "the code follows the person", must(b.StudyCodes(ctx, 0))(t), map[string]string{"P-1": "S-1", "P-2b": "S-2", "P-3": "S-3"})
	_, err := b.KeepStudyCodes(ctx, 0, map[string]string{"P-5": ""})
	refused[*record.InvalidError](t, "no code", err)
}
