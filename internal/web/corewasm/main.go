//go:build js && wasm

// Command corewasm is the conductor for a web worker. It sets one global function, gradusCore(text) -> text, which
// takes and gives the JSON messages of package core, and then calls gradusReady() if the worker has one.
package main

import (
	"syscall/js"

	"gradus/internal/web/core"
)

func main() {
	var c core.Core
	js.Global().Set("gradusCore", js.FuncOf(func(_ js.Value, args []js.Value) any {
		return string(c.JSON([]byte(args[0].String())))
	}))
	if ready := js.Global().Get("gradusReady"); ready.Type() == js.TypeFunction {
		ready.Invoke()
	}
	select {}
}
