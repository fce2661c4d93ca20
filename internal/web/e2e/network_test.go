package e2e

import (
	"crypto/sha256"
	"crypto/tls"
	"crypto/x509"
	"encoding/base64"
	"io"
	"net"
	"net/http"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"gradus/internal/localca"
)

// streamsAre waits until the server counts so many streams: a page knows that it shares one before the server has it.
func streamsAre(t *testing.T, s *server, client *http.Client, want, what string) {
	t.Helper()
	n := ""
	for end := time.Now().Add(patience); n != want; time.Sleep(30 * time.Millisecond) {
		if n = streams(t, s, client); n != want && time.Now().After(end) {
			t.Fatalf("%s hold %s streams, not %s", what, n, want)
		}
	}
}

// streams asks the server how many streams are open.
func streams(t *testing.T, s *server, client *http.Client) string {
	t.Helper()
	_, port, _ := net.SplitHostPort(strings.TrimPrefix(s.address, "https://"))
	resp, err := client.Get("https://127.0.0.1:" + port + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil {
		t.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), "\ngradus_observers ")
	n, _, _ := strings.Cut(rest, "\n")
	return n
}

// trusting is a client that trusts an authority.
func trusting(t *testing.T, authority string) *http.Client {
	t.Helper()
	root, err := localca.Read(authority)
	if err != nil {
		t.Fatal(err)
	}
	pool := x509.NewCertPool()
	pool.AddCert(root)
	return &http.Client{Transport: &http.Transport{TLSClientConfig: &tls.Config{RootCAs: pool}}}
}

// On the local network: pages under TLS by the certificate's name, in a secure context with all that the running page
// needs; a second device sees the test; the tabs of a browser share one stream; a server that goes down says so, and
// the test goes on.
func TestOnTheLocalNetwork(t *testing.T) {
	const name = "gradus.ward.example"
	dir := filepath.Join(t.TempDir(), "data")
	if testing.Short() {
		t.Skip("the short run opens no page")
	}
	if out, err := exec.Command(program, "certificate", name, "--data", dir).CombinedOutput(); err != nil {
		t.Fatalf("%v %s", err, out)
	}
	folder := filepath.Join(dir, localca.Folder)
	cert := filepath.Join(folder, localca.ServerFile)
	s := serve(t, "serve", "--data", dir, "--tls-cert", cert, "--tls-key", filepath.Join(folder, localca.ServerKey))
	if !strings.HasPrefix(s.address, "https://127.0.0.1:") {
		t.Fatalf("served at %s", s.address)
	}
	leaf, err := localca.Read(cert)
	if err != nil {
		t.Fatal(err)
	}
	key := sha256.Sum256(leaf.RawSubjectPublicKeyInfo)
	// Chromium takes this key without its authority, as if the device trusted it; the name leads to this machine.
	b := browser(t, 768, 1024, "ignore-certificate-errors-spki-list="+base64.StdEncoding.EncodeToString(key[:]), "host-resolver-rules=MAP "+name+" 127.0.0.1", "enable-features=WebBluetooth")
	client := trusting(t, filepath.Join(folder, localca.AuthorityFile))
	local := s.address
	s.address = strings.Replace(local, "127.0.0.1", name, 1)

	ownPerson(b, s)
	test := strings.Split(b.path(), "/")[2]
	if got := eval[string](b, `(async () => [isSecureContext, "bluetooth" in navigator, "serial" in navigator, "locks" in navigator, !!(await navigator.serviceWorker.ready).active, (await indexedDB.databases()).some((d) => d.name === "gradus"),
 performance.getEntriesByType("navigation")[0].nextHopProtocol].join())()`); got != "true,true,true,true,true,true,h2" {
		t.Errorf("secure context, Bluetooth, serial, locks, service worker, store, protocol: %s", got)
	}
	b.click(due)
	b.until(patience, "stage 1", `gradus.view.phase === "riding" && gradus.undelivered() === 0`)
	b.until(patience, "the page shares a stream", `gradus.feed.shared`)

	screen := b.beside(768, 1024)
	screen.visit(s.address + "/tests/" + test + "/participant")
	screen.until(patience, "the participant's screen in another tab", `window.gradus?.view?.phase === "riding" && gradus.feed.shared`)
	streamsAre(t, s, client, "1", "two tabs of one browser")
	device := b.another(1366, 768)
	device.visit(s.address + "/tests/" + test + "/observe")
	device.until(patience, "a second device sees the test", `window.gradus?.view?.phase === "riding" && gradus.feed.shared`)
	device.shot("network-observer")
	streamsAre(t, s, client, "2", "two browsers")
	b.click(`.bar [aria-label="Call the supervisor"]`)
	b.until(patience, "the call counts pages", `[...document.querySelectorAll(".notices p")].some((e) => e.innerText.includes("The call is on 3 screens"))`)
	for _, x := range []*tab{screen, device} {
		x.until(patience, "the call arrives", `gradus.call`)
	}
	screen.visit(s.address + "/")
	device.visit(s.address + "/trust")
	device.shot("trust")
	device.visit(s.address + "/doctor")
	device.until(patience, "the browser is looked at", `document.querySelector("#doctor-list").dataset.worst`)
	if bad := eval[string](device, `[...document.querySelectorAll("#doctor-list li")].filter((e) => e.dataset.level !== "ok").map((e) => e.innerText).join()`); bad != "" {
		t.Errorf("this browser lacks %s", bad)
	}
	device.shot("doctor")
	b.until(patience, "a tab that left is not counted", `(await (await fetch("/api/tests/`+test+`/call", { method: "POST", headers: { "Content-Type": "application/json" }, body: "{}" })).json()).screens === 1`)

	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	b.until(patience, "the page says that the server goes down", `[...document.querySelectorAll(".trouble")].some((e) => e.innerText.includes("The server is going down"))`)
	b.shot("going")
	if err := s.cmd.Wait(); err != nil {
		t.Errorf("the server ended with %v", err)
	}
	b.click(`.bar .stop`)
	b.until(patience, "the test goes on without the server", `gradus.undelivered() > 0`)
	s.start()
	b.until(patience, "the server is back and has everything", `gradus.undelivered() === 0`)
	b.quiet()
	device.quiet()
}
