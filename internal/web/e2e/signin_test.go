package e2e

import (
	"fmt"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/chromedp/cdproto/webauthn"
	"github.com/chromedp/chromedp"

	"gradus/internal/access"
)

// authenticator gives the browser an invented device with a fingerprint.
func (b *tab) authenticator() {
	b.t.Helper()
	if _, err := chromedp.Call(b.ctx, webauthn.Enable, webauthn.EnableParams{}); err != nil {
		b.t.Fatal(err)
	}
	if _, err := chromedp.Call(b.ctx, webauthn.AddVirtualAuthenticator, webauthn.AddVirtualAuthenticatorParams{Options: &webauthn.VirtualAuthenticatorOptions{
		Protocol: webauthn.AuthenticatorProtocolCtap2, Transport: webauthn.AuthenticatorTransportInternal, HasResidentKey: true, HasUserVerification: true,
		IsUserVerified: true, AutomaticPresenceSimulation: true}}); err != nil {
		b.t.Fatal(err)
	}
}

// send presses the main button of the form that a field stands in.
func (b *tab) send(form string) {
	b.t.Helper()
	b.click(`form[action="` + form + `"] button`)
}

func (b *tab) at(path string) {
	b.t.Helper()
	b.until(patience, "the page "+path, fmt.Sprintf(`location.pathname === %q && document.readyState === "complete"`, path))
}

// A first administrator made on the command line chooses a password, sets up an authenticator and a passkey, signs in by each,
// and an idle page is covered while what was entered stays.
func TestSignIn(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	s := serve(t, "serve", "--data", data, "--lock-after", "25s")
	out, err := exec.Command(program, "accounts", "add", "kim", "--role", "administrator,clinician", "--full-name", "Kim Example", "--data", data).CombinedOutput()
	code := regexp.MustCompile(`[2-9A-Z]{5}(-[2-9A-Z]{5}){3}`).Find(out)
	if err != nil || code == nil {
		t.Fatalf("accounts add: %v: %s", err, out)
	}
	address := strings.Replace(s.address, "127.0.0.1", "localhost", 1) // a passkey belongs to a name
	b := browser(t, 1366, 768)
	b.authenticator()
	const password = "the pedals turn at dawn"

	b.visit(address + "/people")
	b.at("/sign-in")
	b.look("sign-in")
	b.visit(address + "/start#" + string(code))
	b.until(patience, "the code from behind the #", fmt.Sprintf(`document.querySelector("#code").value === %q && location.hash === ""`, code))
	b.fill(map[string]string{"login": "kim", "password": password, "password2": password})
	b.look("start")
	b.send("/start")
	b.at("/account")
	b.look("account")

	b.visit(address + "/account/codes")
	secret := eval[string](b, `document.querySelector('[name="secret"]').value`)
	b.look("codes")
	b.fill(map[string]string{"code": access.TOTPNow(secret, time.Now())})
	b.send("/account/codes")
	b.until(patience, "recovery codes", `document.querySelectorAll(".recovery li").length === 10`)
	recovery := eval[string](b, `document.querySelector(".recovery li").innerText.trim()`)
	b.look("recovery")

	b.visit(address + "/account")
	b.do(chromedp.SetValue(chromedp.CSS("#passkey-name"), "Test device"))
	b.click(".passkey-new button")
	b.until(patience, "the passkey", `document.body.innerText.includes("Test device")`)

	b.send("/sign-out")
	b.at("/sign-in")
	b.fill(map[string]string{"login": "kim", "password": password})
	b.send("/sign-in")
	b.until(patience, "the question for a code", `document.querySelector('form[action="/sign-in/code"]') !== null`)
	b.look("code")
	b.fill(map[string]string{"code": recovery})
	b.send("/sign-in/code")
	b.at("/")

	b.send("/sign-out")
	b.at("/sign-in")
	b.click(".passkey-in")
	b.at("/")
	b.visit(address + "/accounts")
	b.look("accounts")

	b.visit(address + "/people")
	b.do(chromedp.SetValue(chromedp.CSS("#name"), "half typed"))
	b.until(patience, "the cover", `document.querySelector(".cover").hidden === false && document.querySelector("main").inert`)
	b.shot("cover")
	if got := eval[string](b, `document.querySelector("#name").value`); got != "half typed" {
		t.Errorf("behind the cover stands %q", got)
	}
	b.visit(address + "/people")
	b.at("/unlock")
	b.look("lock")
	b.click(".passkey-in")
	b.at("/people")
	b.quiet()
}

// The pages about signing in and accounts fit a phone and a tablet: nothing is wider than the screen, everything can be hit with a finger.
func TestSignInOnSmallScreens(t *testing.T) {
	data := filepath.Join(t.TempDir(), "data")
	s := serve(t, "serve", "--data", data)
	address := s.address
	out, err := exec.Command(program, "accounts", "add", "kim", "--role", "administrator,clinician", "--full-name", "Kim Example-With-A-Long-Double-Name", "--data", data).CombinedOutput()
	code := regexp.MustCompile(`[2-9A-Z]{5}(-[2-9A-Z]{5}){3}`).Find(out)
	if err != nil || code == nil {
		t.Fatalf("accounts add: %v: %s", err, out)
	}
	b := browser(t, 390, 844)
	const password = "the pedals turn at dawn"
	b.visit(address + "/start#" + string(code))
	b.fill(map[string]string{"login": "kim", "password": password, "password2": password})
	b.send("/start")
	b.at("/account")
	for _, size := range []struct {
		name          string
		width, height int64
	}{{"phone", 390, 844}, {"tablet", 768, 1024}} {
		b.do(chromedp.EmulateViewport(size.width, size.height))
		for _, path := range []string{"account", "account/codes", "accounts"} {
			b.visit(address + "/" + path)
			b.look(size.name + "-" + strings.ReplaceAll(path, "/", "-"))
		}
		b.visit(address + "/account")
		b.send("/sign-out")
		b.at("/sign-in")
		b.look(size.name + "-sign-in")
		b.fill(map[string]string{"login": "kim", "password": "some wrong words"})
		b.send("/sign-in")
		b.until(patience, "the fault", `document.querySelector(".faults") !== null`)
		b.look(size.name + "-wrong")
		b.fill(map[string]string{"login": "kim", "password": password})
		b.send("/sign-in")
		b.at("/")
	}
	b.quiet()
}
