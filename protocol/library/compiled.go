package library

import (
	"embed"
	"encoding/json"
	"fmt"
	"sync"

	"gradus/protocol"
)

// A shipped plan is compiled: parsed, checked and written as JSON with its hash, because reading YAML takes a hundred
// times as long. The stop signs of the table stand once in a file of their own. TestCompiledIsCurrent compares, and
// writes with UPDATE=1.
//
//go:embed compiled
var compiled embed.FS

const compiledSigns = "compiled/stop-signs.json"

var signsOnce = sync.OnceValues(func() (signTable, error) {
	var table signTable
	data, err := compiled.ReadFile(compiledSigns)
	if err != nil {
		return table, err
	}
	return table, json.Unmarshal(data, &table)
})

// pack writes a plan as its compiled file: without the stop signs that it takes from the table.
func pack(p *protocol.Protocol) ([]byte, error) {
	bare := *p
	bare.Table, bare.TableSources = nil, nil
	return json.MarshalIndent(&bare, "", " ")
}

// unpack reads a compiled plan and joins it with the table.
func unpack(id string, data []byte) (*protocol.Protocol, error) {
	table, err := signsOnce()
	if err != nil {
		return nil, fmt.Errorf("library: compiled stop signs: %w; run UPDATE=1 go test ./protocol/library -run Compiled", err)
	}
	var p protocol.Protocol
	if err := json.Unmarshal(data, &p); err != nil {
		return nil, fmt.Errorf("library: compiled protocol %s: %w; run UPDATE=1 go test ./protocol/library -run Compiled", id, err)
	}
	joinSigns(&p, table.Signs, table.Sources, nil)
	return &p, nil
}
