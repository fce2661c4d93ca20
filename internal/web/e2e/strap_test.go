package e2e

import (
	"context"
	"fmt"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/chromedp/cdproto/bluetoothemulation"
	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/deviceaccess"
	"github.com/chromedp/chromedp"
)

const (
	strapAddress   = "09:09:09:09:09:09"
	heartService   = "0000180d-0000-1000-8000-00805f9b34fb"
	heartRate      = "00002a37-0000-1000-8000-00805f9b34fb"
	configuration  = "00002902-0000-1000-8000-00805f9b34fb"
	beatsPerMinute = 96
)

// strap is a heart-rate sensor in the air of the test browser.
type strap struct {
	b         *tab
	connected atomic.Int64 // how many times the page connected
}

func call[P, R any](b *tab, cmd cdp.Command[P, R], params P) R {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	r, err := chromedp.CallBrowser(ctx, cmd, params)
	if err != nil {
		b.t.Fatalf("%s: %v", cmd.Method, err)
	}
	return r
}

// wear puts a strap near the browser and answers for it.
func wear(b *tab) *strap {
	b.t.Helper()
	s := &strap{b: b}
	call(b, bluetoothemulation.Enable, bluetoothemulation.EnableParams{State: bluetoothemulation.CentralStatePoweredOn, LeSupported: true})
	call(b, bluetoothemulation.SimulatePreconnectedPeripheral, bluetoothemulation.SimulatePreconnectedPeripheralParams{
		Address: strapAddress, Name: "Test strap", ManufacturerData: []*bluetoothemulation.ManufacturerData{}, KnownServiceUUIDs: []string{heartService}})
	operations := chromedp.BrowserEvents(b.ctx, bluetoothemulation.GattOperationReceived)
	reads := chromedp.BrowserEvents(b.ctx, bluetoothemulation.CharacteristicOperationReceived)
	go func() {
		for e, err := range operations {
			if err != nil {
				return
			}
			if e.Type == bluetoothemulation.GATTOperationTypeConnection {
				s.connected.Add(1)
			}
			_, _ = chromedp.CallBrowser(b.ctx, bluetoothemulation.SimulateGATTOperationResponse,
				bluetoothemulation.SimulateGATTOperationResponseParams{Address: strapAddress, Type: e.Type})
		}
	}()
	go func() {
		for e, err := range reads {
			if err != nil {
				return
			}
			answer := bluetoothemulation.SimulateCharacteristicOperationResponseParams{CharacteristicID: e.CharacteristicID, Type: e.Type}
			if e.Type == bluetoothemulation.CharacteristicOperationTypeRead {
				answer.Data = []byte{0x16, beatsPerMinute, 0x80, 0x02} // contact, one interval of 640/1024 s
			}
			_, _ = chromedp.CallBrowser(b.ctx, bluetoothemulation.SimulateCharacteristicOperationResponse, answer)
		}
	}()
	return s
}

// services puts the strap's attributes in place; like those of a real one they are gone after a disconnection.
func (s *strap) services() {
	s.b.t.Helper()
	service := call(s.b, bluetoothemulation.AddService, bluetoothemulation.AddServiceParams{Address: strapAddress, ServiceUUID: heartService}).ServiceID
	char := call(s.b, bluetoothemulation.AddCharacteristic, bluetoothemulation.AddCharacteristicParams{ServiceID: service, CharacteristicUUID: heartRate,
		Properties: &bluetoothemulation.CharacteristicProperties{Read: true, Notify: true}}).CharacteristicID
	call(s.b, bluetoothemulation.AddDescriptor, bluetoothemulation.AddDescriptorParams{CharacteristicID: char, DescriptorUUID: configuration})
}

// choose answers the browser's question which sensor to use, once.
func choose(b *tab) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, patience)
	defer cancel()
	if _, err := chromedp.Call(ctx, deviceaccess.Enable, cdp.Empty{}); err != nil {
		b.t.Fatal(err)
	}
	prompts := chromedp.Events(b.ctx, deviceaccess.DeviceRequestPrompted)
	go func() {
		for e, err := range prompts {
			if err != nil || len(e.Devices) == 0 {
				continue
			}
			_, _ = chromedp.Call(b.ctx, deviceaccess.SelectPrompt, deviceaccess.SelectPromptParams{ID: e.ID, DeviceID: e.Devices[0].ID})
			return
		}
	}()
}

// A strap is chosen, gives heart rates that the core decodes, is lost, and comes back by itself.
func TestStrap(t *testing.T) {
	s := serve(t, "serve", "--data", filepath.Join(t.TempDir(), "data"))
	b := browser(t, 1366, 768, "enable-features=WebBluetooth")
	ownPerson(b, s)
	air := wear(b)
	choose(b)
	eval[bool](b, `(() => { window.listened = []; const p = BluetoothRemoteGATTCharacteristic.prototype, start = p.startNotifications
 p.startNotifications = function () { window.listened.push(this); return start.call(this) }; return true })()`)
	b.click(`.looks button:nth-child(4)`)
	b.do(chromedp.Click(chromedp.CSS(`.sensors p button`)))
	b.until(patience, "the page asks for the strap", `gradus.signals.sources.length === 1`)
	air.services()
	b.until(patience, "the strap is connected", `gradus.signals.sources[0].state === "on" && window.listened.length > 0`)
	b.click(due)
	b.until(patience, "stage 1", `gradus.view.phase === "riding"`)
	for range 5 {
		eval[int](b, `window.listened.at(-1).readValue().then((v) => v.byteLength)`)
	}
	b.until(patience, "the heart rate is shown", fmt.Sprintf(`gradus.signals.last("hr") && gradus.signals.last("hr").v === %d && document.querySelector(".heart .big").innerText.startsWith("9")`, beatsPerMinute))
	if rr := eval[float64](b, `gradus.signals.last("rr").v`); rr != 625 {
		t.Errorf("interval %v ms, sent were 625", rr)
	}
	if src := eval[string](b, `gradus.signals.source("hr").src`); src != "strap" {
		t.Errorf("the source is %q", src)
	}
	b.look("strap")
	before := air.connected.Load()
	call(b, bluetoothemulation.SimulateGATTDisconnection, bluetoothemulation.SimulateGATTDisconnectionParams{Address: strapAddress})
	b.until(patience, "the loss is shown", `gradus.signals.sources[0].state !== "on" && document.querySelector(".sensors li").innerText.includes("lost")`)
	for end := time.Now().Add(patience); air.connected.Load() <= before; {
		if time.Now().After(end) {
			t.Fatal("the page did not connect again")
		}
		time.Sleep(50 * time.Millisecond)
	}
	air.services()
	b.until(patience, "the strap is back", `gradus.signals.sources[0].state === "on"`)
	eval[int](b, `window.listened.at(-1).readValue().then((v) => v.byteLength)`)
	b.quiet()
}

// A scale fills the body mass where the test is prepared, and what stood there comes back with Undo.
func TestScale(t *testing.T) {
	s := serve(t, "demo")
	b := browser(t, 768, 1024, "enable-features=WebBluetooth")
	b.visit(s.address + "/people/1/new")
	b.until(patience, "the scale is offered", `window.scale && document.querySelector(".scale-line button")`)
	const mass = `document.querySelector("#mass_kg").value`
	before := eval[string](b, mass)
	eval[bool](b, `(scale({ what: "mass", v: 70.45, good: true, stored: true }), scale({ what: "mass", v: 70.5, good: true, stored: false }), true)`)
	if got := eval[string](b, mass); got != "70.5" {
		t.Errorf("the field holds %q", got)
	}
	b.look("scale")
	b.click(`.scale-line button:last-child`)
	if got := eval[string](b, mass); got != before {
		t.Errorf("after undo the field holds %q, before it was %q", got, before)
	}
	b.quiet()
}

// Where the browser has no Bluetooth the page says so.
func TestNoBluetooth(t *testing.T) {
	s := serve(t, "serve", "--data", filepath.Join(t.TempDir(), "data"))
	b := browser(t, 390, 844, "disable-features=WebBluetooth", "disable-blink-features=WebBluetooth")
	ownPerson(b, s)
	if eval[bool](b, `"bluetooth" in navigator && !!navigator.bluetooth`) {
		t.Fatal("this browser has Bluetooth; the test says nothing")
	}
	b.click(`.looks button:nth-child(4)`)
	if text := eval[string](b, `document.querySelector(".sensors").innerText`); !contains(text, "cannot reach Bluetooth") {
		t.Errorf("the page says %q", text)
	}
}
