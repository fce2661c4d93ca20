package web_test

import (
	"bytes"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"gradus/internal/pgtest"
	"gradus/internal/record"
	"gradus/internal/web"
	protocols "gradus/protocol/library"
)

// ownPlan is a shipped protocol under a name of the site's own.
func ownPlan(t *testing.T, id, version string) string {
	t.Helper()
	text := string(must(protocols.Text("six-minute-walk"))(t))
	plan := must(protocols.Load("six-minute-walk", nil))(t)
	for _, change := range [][2]string{{"id: six-minute-walk\n", "id: " + id + "\n"}, {"version: " + plan.Version, "version: " + version}, {`version: "` + plan.Version + `"`, `version: "` + version + `"`}} {
		text = strings.Replace(text, change[0], change[1], 1)
	}
	return text
}

func put(t *testing.T, dir, name, text string) {
	t.Helper()
	path := filepath.Join(dir, filepath.FromSlash(name))
	if err := os.MkdirAll(filepath.Dir(path), 0o700); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
}

// What a site keeps as files is in the record: what lay beside one server is taken over when it opens, and whatever one
// server keeps, another one has.
func TestFilesAtEveryServer(t *testing.T) {
	address := pgtest.Database(t)
	server := func(files map[string]string) (*bedside, *browser) {
		b := begin(t, false)
		b.stop()
		for name, text := range files {
			put(t, b.dir, name, text)
		}
		store := must(record.OpenDatabase(context.Background(), address, record.Options{}))(t)
		b.store, b.shared = store, store
		b.serve()
		return b, b.browser()
	}
	card := `[{"version":1,"number":"0-999 (invented)","by":"KL","at":"2026-01-02T03:04:05Z"}]`
	first, w := server(map[string]string{"protocols/ours/1.yaml": ownPlan(t, "ours", "1"), "site.json": card})
	second, v := server(map[string]string{"protocols/ours/2.yaml": ownPlan(t, "ours", "2"), "site.json": strings.Replace(card, "0-999", "0-111", 1)})
	v.c.Jar = w.c.Jar // the same browser, led to either of them

	for _, b := range []*browser{w, v} {
		has(t, "taken over", b.get("/protocols/ours"), http.StatusOK, "version=1", "version=2")
		has(t, "the card", b.get("/emergency"), http.StatusOK, "0-999 (invented)")
	}
	if _, err := os.Stat(filepath.Join(first.dir, "protocols")); err == nil {
		t.Error("the folder of protocols is still there")
	}
	if text := string(must(os.ReadFile(filepath.Join(second.dir, "site.json.before")))(t)); !strings.Contains(text, "0-111") {
		t.Error("the other server's own card is gone")
	}

	has(t, "a version more", v.send("/protocols/ours/edit", "/protocols/ours/edit", url.Values{"text": {ownPlan(t, "ours", "3")}, "do": {"save"}}), http.StatusOK, "version=3")
	has(t, "at the first", w.get("/protocols/ours/file?version=3"), http.StatusOK, "id: ours")
	has(t, "another text under the same version", w.send("/protocols/ours/edit", "/protocols/ours/edit", url.Values{"text": {ownPlan(t, "ours", "3") + "\n# changed\n"}, "do": {"save"}}), http.StatusUnprocessableEntity, "3")

	again := siteEntries()
	again.Set("site_number", "0-998 (invented)")
	has(t, "the card written anew", v.send("/settings", "/settings", again), http.StatusOK, "Version 2")
	eventually(t, "the card at the first", w, "/emergency", "0-998 (invented)")
	one, two := must(os.ReadFile(filepath.Join(first.dir, "site.json")))(t), must(os.ReadFile(filepath.Join(second.dir, "site.json")))(t)
	if !bytes.Equal(one, two) {
		t.Errorf("copies differ: %s and %s", one, two)
	}

	const equation = "recumbent-stepper-2012"
	good, _ := typedNumbers(t, equation)
	at := "/estimators/" + equation
	has(t, "compared", w.send(at, at, good), http.StatusOK, "An Invented Person")
	eventually(t, "compared, at the second", v, at, "An Invented Person")

	p := w.sendFile("/bring-in", "/bring-in", "old.csv", "bring_file", []byte(oldSheet), url.Values{"bring_mapping": {""}})
	has(t, "a spreadsheet", p, http.StatusOK, "old.csv")
	has(t, "the next page of it", v.get(p.at), http.StatusOK, "old.csv")
}

// eventually asks until a page says something: servers tell each other in their own time.
func eventually(t *testing.T, what string, w *browser, at, text string) {
	t.Helper()
	for range 200 {
		if strings.Contains(w.get(at).text, text) {
			return
		}
	}
	t.Errorf("%s: %s does not say %q", what, at, text)
}

// A folder of the command line stands beside the record: its protocols can be used, and are not kept.
func TestProtocolsOfAFolder(t *testing.T) {
	dir := t.TempDir()
	put(t, dir, "walks/ours.yaml", ownPlan(t, "ours", "1"))
	files := must(web.ReadProtocols(dir))(t)
	b := begin(t, false)
	b.protocols = files
	b.again()
	has(t, "listed", b.browser().get("/protocols"), http.StatusOK, `/protocols/ours"`)
	has(t, "its file", b.browser().get("/protocols/ours/file"), http.StatusOK, "id: ours")
	if kept := must(b.store.FilesOf(t.Context(), record.FileProtocol))(t); len(kept) != 0 {
		t.Error("it was kept in the record")
	}
	for name, c := range map[string]struct{ text, says string }{
		"shipped.yaml": {string(must(protocols.Text("six-minute-walk"))(t)), "is the id of a protocol that this program ships"},
		"twice.yaml":   {ownPlan(t, "ours", "1"), "stands in another file"},
		"broken.yaml":  {"id: x\nid: y\n", "broken.yaml:2"},
	} {
		put(t, dir, name, c.text)
		if _, err := web.ReadProtocols(dir); err == nil || !strings.Contains(fmt.Sprint(err), c.says) {
			t.Errorf("%s: %v", name, err)
		}
		if err := os.Remove(filepath.Join(dir, name)); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := web.ReadProtocols(filepath.Join(dir, "no")); err == nil {
		t.Error("a folder that is not there")
	}
}
