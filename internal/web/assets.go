package web

import (
	"embed"
	"encoding/json"
	"errors"
	"io/fs"
	"net/http"
	"path"
	"strings"
)

//go:embed all:dist
var dist embed.FS

// icon is a stair in the colours of the picture, for the tab of the browser.
//
//go:embed icon.svg
var icon []byte

func serveIcon(w http.ResponseWriter, _ *http.Request) {
	w.Header().Set("Content-Type", "image/svg+xml")
	w.Header().Set("Cache-Control", "public, max-age=86400")
	_, _ = w.Write(icon) // the browser has gone; there is nobody to tell
}

// assets are the page's built scripts, styles, fonts and the conductor for the browser. Their names hold a hash
// of their content; manifest.json says which file stands for a plain name.
type assets struct {
	files fs.FS
	names map[string]string
}

func openAssets(files fs.FS) (*assets, error) {
	if files == nil {
		sub, err := fs.Sub(dist, "dist")
		if err != nil {
			return nil, err
		}
		files = sub
	}
	a := &assets{files: files, names: map[string]string{}}
	text, err := fs.ReadFile(files, "manifest.json")
	if errors.Is(err, fs.ErrNotExist) {
		return a, nil
	}
	if err != nil {
		return nil, err
	}
	if err := json.Unmarshal(text, &a.names); err != nil {
		return nil, errors.New("manifest.json of the built pages: " + err.Error() + "; build them again")
	}
	return a, nil
}

func (a *assets) built() bool { return len(a.names) > 0 }

// link is the address of an asset by its plain name; "" when it was not built.
func (a *assets) link(name string) string {
	if file, ok := a.names[name]; ok {
		return "/assets/" + file
	}
	return ""
}

var kinds = map[string]string{
	".js": "text/javascript; charset=utf-8", ".css": "text/css; charset=utf-8", ".wasm": "application/wasm",
	".json": "application/json", ".woff2": "font/woff2", ".svg": "image/svg+xml", ".txt": "text/plain; charset=utf-8",
	".png": "image/png", ".webmanifest": "application/manifest+json",
}

func (a *assets) serve(w http.ResponseWriter, r *http.Request) {
	name := r.PathValue("name")
	lasting := "public, max-age=31536000, immutable"
	if name == "manifest.json" {
		lasting = "no-cache"
	}
	a.send(w, r, name, lasting)
}

func (a *assets) serveWorker(w http.ResponseWriter, r *http.Request) {
	name := "sw.js"
	if file, ok := a.names[name]; ok {
		name = file
	}
	w.Header().Set("Service-Worker-Allowed", "/")
	a.send(w, r, name, "no-cache")
}

// send answers with a file in the smallest form that the browser takes.
func (a *assets) send(w http.ResponseWriter, r *http.Request, name, lasting string) {
	kind, known := kinds[path.Ext(name)]
	if !known || !fs.ValidPath(name) {
		http.Error(w, say("asset.unknown"), http.StatusNotFound)
		return
	}
	data, err := fs.ReadFile(a.files, name)
	if err != nil {
		http.Error(w, say("asset.unknown"), http.StatusNotFound)
		return
	}
	for _, form := range []struct{ word, ending string }{{"br", ".br"}, {"gzip", ".gz"}} {
		if !accepts(r.Header.Get("Accept-Encoding"), form.word) {
			continue
		}
		if small, err := fs.ReadFile(a.files, name+form.ending); err == nil {
			data = small
			w.Header().Set("Content-Encoding", form.word)
			break
		}
	}
	w.Header().Set("Vary", "Accept-Encoding")
	w.Header().Set("Content-Type", kind)
	w.Header().Set("Cache-Control", lasting)
	_, _ = w.Write(data) // the browser has gone; there is nobody to tell
}

func accepts(header, form string) bool {
	for part := range strings.SplitSeq(header, ",") {
		word, weight, _ := strings.Cut(strings.TrimSpace(part), ";")
		if strings.TrimSpace(word) == form {
			return !strings.HasPrefix(strings.ReplaceAll(weight, " ", ""), "q=0") || strings.Contains(weight, "0.")
		}
	}
	return false
}
