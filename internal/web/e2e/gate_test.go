package e2e

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"
)

const (
	words      = "an invented sentence of mine"
	otherWords = "another sentence, invented too"
)

// An encrypted record from its first start: set up with a recovery sheet, killed in mid-test, locked, unlocked. The
// running page goes on all the while, also when it is loaded anew, and delivers what it held. Then the passphrase is
// forgotten, and the sheet opens the record.
func TestEncryptedRecord(t *testing.T) {
	dir := filepath.Join(t.TempDir(), "data")
	s := serve(t, "serve", gated, "--data", dir)
	b := browser(t, 768, 1024)
	b.visit(s.address + "/")
	b.look("gate-setup")
	b.fill(map[string]string{"passphrase": words, "again": words})
	b.click("button.main")
	b.until(patience, "the recovery sheet", `document.querySelectorAll(".recovery li").length === 8`)
	b.look("gate-sheet")
	sheet := eval[string](b, `[...document.querySelectorAll(".recovery code")].map((g) => g.innerText).join(" ")`)
	b.fill(map[string]string{"group": eval[string](b, `document.querySelectorAll(".recovery code")[document.querySelector("label[for=group]").innerText.match(/group (\d)/)[1] - 1].innerText.toLowerCase()`)})
	b.click("button.main")
	b.until(patience, "today's page", `location.pathname === "/" && document.querySelector("nav")`)
	if eval[bool](b, `document.body.innerText.includes("not encrypted")`) {
		t.Error("the page of an encrypted record says that it is not")
	}

	test := ownPerson(b, s)
	b.click(due)
	b.until(patience, "stage 1", `window.gradus.view.phase === "riding"`)
	b.until(patience, "the shell is kept", `caches.keys().then(async (names) => { for (const n of names) if (await (await caches.open(n)).match(location.href)) return true; return false })`)
	s.kill()
	s.start()
	eval[bool](b, `gradus.act([{ kind: "note", text: "entered while the record is locked" }])`)
	b.until(patience, "the page says that the record is locked", `(document.querySelector(".trouble") || {innerText: ""}).innerText.includes("passphrase")`)
	b.shot("gate-running")
	b.visit(s.address + "/tests/" + test + "/run")
	b.until(patience, "the test goes on after it was loaded anew", `window.gradus && window.gradus.mode === "pen" && window.gradus.view.phase === "riding"`)
	held := b.state().Pending
	if held < 1 {
		t.Errorf("the page holds %d events", held)
	}

	other := b.beside(390, 844)
	other.visit(s.address + "/people")
	other.look("gate-unlock")
	other.fill(map[string]string{"passphrase": "some wrong words"})
	other.click("button.main")
	other.until(patience, "it is refused", `document.querySelector(".faults").innerText.includes("does not open")`)
	other.look("gate-wrong")
	other.fill(map[string]string{"passphrase": words})
	other.click("button.main")
	other.until(patience, "the page that was asked for", `location.pathname === "/people" && document.querySelector("nav")`)
	b.until(patience, "everything is acknowledged", `window.gradus.undelivered() === 0 && !window.gradus.away`)
	figure("locked in mid-test: %d events held, all delivered after unlocking", held)
	if n := len(stored(t, b, test)); n != b.state().Events {
		t.Errorf("%d events on disk, %d in the page", n, b.state().Events)
	}
	b.quiet()

	s.kill()
	hidden(t, dir, words, test, strings.Fields(sheet)[0])
	s.start()
	other.visit(s.address + "/")
	other.click("summary")
	for name, v := range map[string]string{"recovery": sheet, "passphrase": otherWords, "again": otherWords} {
		other.do(chromedp.SetValue(chromedp.CSS(`form[action="/gate/recover"] [name="`+name+`"]`), v))
	}
	other.look("gate-recover")
	other.click(`form[action="/gate/recover"] button`)
	other.until(patience, "today's page", `location.pathname === "/" && document.querySelector("nav")`)
	s.kill()
	s.start()
	other.visit(s.address + "/")
	other.fill(map[string]string{"passphrase": otherWords})
	other.click("button.main")
	other.until(patience, "today's page", `document.querySelector("nav") !== null`)
	other.quiet()
}

// hidden checks that no file of a directory holds a text, in its name or its content.
func hidden(t *testing.T, dir string, texts ...string) {
	t.Helper()
	err := filepath.WalkDir(dir, func(path string, e os.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			return err
		}
		data, err := os.ReadFile(path)
		for _, text := range texts {
			if bytes.Contains(data, []byte(text)) || strings.Contains(path, text) {
				t.Errorf("%q stands in %s", text, path)
			}
		}
		return err
	})
	if err != nil {
		t.Error(err)
	}
}
