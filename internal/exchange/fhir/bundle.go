package fhir

import (
	"fmt"
	"strings"
)

// bundle checks the rules of Bundles, and that what is referred to is there.
func (c *checker) bundle(path string, o *object) {
	of := o.text("type")
	entries := o.objects("entry")
	writes := of == "transaction" || of == "batch" || of == "history"
	answers := of == "transaction-response" || of == "batch-response" || of == "history"
	if o.get("total") != nil && of != "searchset" && of != "history" {
		c.fault(join(path, "total"), "bdl-1", "a total stands only in a search or a history")
	}
	seen := map[string]bool{}
	for i, e := range entries {
		at := fmt.Sprintf("%s[%d]", join(path, "entry"), i)
		request, response := e.object("request"), e.object("response")
		switch {
		case e.get("search") != nil && of != "searchset":
			c.fault(join(at, "search"), "bdl-2", "search stands only in a search")
		case writes && request == nil:
			c.fault(at, "bdl-3", "an entry of a %s needs a request", of)
		case !writes && request != nil:
			c.fault(join(at, "request"), "bdl-3", "a request stands only in a transaction, batch or history")
		case answers && response == nil && of != "history":
			c.fault(at, "bdl-4", "an entry of a %s needs a response", of)
		case !answers && response != nil:
			c.fault(join(at, "response"), "bdl-4", "a response stands only in an answer or a history")
		}
		if e.get("resource") == nil && request == nil && response == nil {
			c.fault(at, "bdl-5", "an entry needs a resource, a request or a response")
		}
		if full := e.text("fullUrl"); full != "" {
			key := full + "|" + e.object("resource").object("meta").text("versionId")
			if seen[key] {
				c.fault(join(at, "fullUrl"), "bdl-7", "%s stands already; every fullUrl is used once", full)
			}
			seen[key] = true
			if strings.Contains(full, "/_history/") {
				c.fault(join(at, "fullUrl"), "bdl-8", "a fullUrl names no version")
			}
		}
		c.request(at, of, e, request)
	}
	first := ""
	if len(entries) > 0 {
		first = entries[0].object("resource").text("resourceType")
	}
	switch of {
	case "document":
		if id := o.object("identifier"); id.text("system") == "" || id.text("value") == "" {
			c.fault(join(path, "identifier"), "bdl-9", "a document needs an identifier with system and value")
		}
		if o.text("timestamp") == "" {
			c.fault(join(path, "timestamp"), "bdl-10", "a document needs a timestamp")
		}
		if first != "Composition" {
			c.fault(join(path, "entry"), "bdl-11", "a document begins with a Composition")
		}
	case "message":
		if first != "MessageHeader" {
			c.fault(join(path, "entry"), "bdl-12", "a message begins with a MessageHeader")
		}
	}
	c.dangling(path, entries)
	c.noGasExchange(path, entries)
}

// request checks that a write says what it writes.
func (c *checker) request(at, of string, e, request *object) {
	if request == nil || of == "history" {
		return
	}
	method, url := request.text("method"), request.text("url")
	named, _, _ := strings.Cut(strings.SplitN(url, "?", 2)[0], "/")
	kind := e.object("resource").text("resourceType")
	switch {
	case (method == "POST" || method == "PUT") && e.get("resource") == nil:
		c.fault(at, "own.request", "%s needs a resource", method)
	case (method == "GET" || method == "DELETE" || method == "HEAD") && e.get("resource") != nil:
		c.fault(at, "own.request", "%s carries no resource", method)
	case method == "POST" && kind != "" && named != kind && !strings.HasPrefix(url, "http") && named != "":
		c.fault(join(at, "request.url"), "own.request", "a %s is sent to %q", kind, url)
	case request.get("ifNoneExist") != nil && method != "POST":
		c.fault(join(at, "request.ifNoneExist"), "own.request", "ifNoneExist stands only with POST")
	}
}

// dangling looks for references to urn:uuid: and urn:oid: that no entry has.
func (c *checker) dangling(path string, entries []*object) {
	have := map[string]bool{}
	for _, e := range entries {
		have[e.text("fullUrl")] = true
	}
	for i, e := range entries {
		walk(fmt.Sprintf("%s[%d].resource", join(path, "entry"), i), e.get("resource"), func(at string, o *object) {
			to := o.text("reference")
			if (strings.HasPrefix(to, "urn:uuid:") || strings.HasPrefix(to, "urn:oid:")) && !have[to] {
				c.fault(join(at, "reference"), "own.dangling", "%s is in no entry of the Bundle", to)
			}
		})
	}
}

// walk visits every object in a value.
func walk(path string, v any, visit func(string, *object)) {
	switch v := v.(type) {
	case *object:
		if v == nil {
			return
		}
		visit(path, v)
		for _, key := range v.keys {
			walk(join(path, key), v.values[key], visit)
		}
	case []any:
		for i, x := range v {
			walk(fmt.Sprintf("%s[%d]", path, i), x, visit)
		}
	}
}

// noGasExchange refuses an estimate that is said to be part of a test with gas exchange (447346005).
func (c *checker) noGasExchange(path string, entries []*object) {
	measured := map[string]bool{}
	for _, e := range entries {
		r := e.object("resource")
		for _, x := range r.object("code").objects("coding") {
			if r.text("resourceType") == "Procedure" && x.text("code") == "447346005" {
				measured[e.text("fullUrl")] = true
			}
		}
	}
	for i, e := range entries {
		r := e.object("resource")
		known := codesIn(r.object("code"))
		if r.text("resourceType") != "Observation" || len(known) == 0 || known[0].Kind != "estimate" {
			continue
		}
		for _, of := range r.objects("partOf") {
			if measured[of.text("reference")] {
				c.fault(fmt.Sprintf("%s[%d].resource.partOf", join(path, "entry"), i), "own.gas-exchange", "a submaximal estimate is no part of a cardiopulmonary exercise test: no gas was measured")
			}
		}
	}
}
