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

// strap is a sensor in the air of the test browser: a heart-rate sensor, or another with one characteristic.
type strap struct {
	b                        *tab
	address, service, listen string
	value                    []byte
	connected                atomic.Int64 // how many times the page connected
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
	call(b, bluetoothemulation.Enable, bluetoothemulation.EnableParams{State: bluetoothemulation.CentralStatePoweredOn, LeSupported: true})
	// contact, one interval of 640/1024 s
	return inAir(b, &strap{b: b, address: strapAddress, service: heartService, listen: heartRate, value: []byte{0x16, beatsPerMinute, 0x80, 0x02}})
}

// inAir puts a sensor near the browser and answers for it.
func inAir(b *tab, s *strap) *strap {
	b.t.Helper()
	call(b, bluetoothemulation.SimulatePreconnectedPeripheral, bluetoothemulation.SimulatePreconnectedPeripheralParams{
		Address: s.address, Name: "Test sensor " + s.service[4:8], ManufacturerData: []*bluetoothemulation.ManufacturerData{}, KnownServiceUUIDs: []string{s.service}})
	if s.address != strapAddress {
		return s // the first one answers for all
	}
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
				bluetoothemulation.SimulateGATTOperationResponseParams{Address: e.Address, Type: e.Type})
		}
	}()
	go func() {
		for e, err := range reads {
			if err != nil {
				return
			}
			answer := bluetoothemulation.SimulateCharacteristicOperationResponseParams{CharacteristicID: e.CharacteristicID, Type: e.Type}
			if e.Type == bluetoothemulation.CharacteristicOperationTypeRead {
				answer.Data = b.given(e.CharacteristicID, s.value)
			}
			_, _ = chromedp.CallBrowser(b.ctx, bluetoothemulation.SimulateCharacteristicOperationResponse, answer)
		}
	}()
	return s
}

// services puts the strap's attributes in place; like those of a real one they are gone after a disconnection.
func (s *strap) services() {
	s.b.t.Helper()
	service := call(s.b, bluetoothemulation.AddService, bluetoothemulation.AddServiceParams{Address: s.address, ServiceUUID: s.service}).ServiceID
	char := call(s.b, bluetoothemulation.AddCharacteristic, bluetoothemulation.AddCharacteristicParams{ServiceID: service, CharacteristicUUID: s.listen,
		Properties: &bluetoothemulation.CharacteristicProperties{Read: true, Notify: true}}).CharacteristicID
	s.b.gives.Store(char, s.value)
	call(s.b, bluetoothemulation.AddDescriptor, bluetoothemulation.AddDescriptorParams{CharacteristicID: char, DescriptorUUID: configuration})
}

// given is what a characteristic answers with.
func (b *tab) given(characteristic string, standard []byte) []byte {
	if v, ok := b.gives.Load(characteristic); ok {
		return v.([]byte)
	}
	return standard
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
	b.click(`.sensors p button`)
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

// Several sensors at once: a strap, a machine and an oximeter, each with its own value, and the loss of one is not that of
// the others.
func TestSeveralSensors(t *testing.T) {
	s := serve(t, "serve", "--data", filepath.Join(t.TempDir(), "data"))
	b := browser(t, 1366, 768, "enable-features=WebBluetooth")
	ownPerson(b, s)
	eval[bool](b, `(() => { window.listened = []; const p = BluetoothRemoteGATTCharacteristic.prototype, start = p.startNotifications
 p.startNotifications = function () { window.listened.push(this); return start.call(this) }; return true })()`)
	sensors := []*strap{
		wear(b),
		inAir(b, &strap{b: b, address: "09:09:09:09:09:0A", service: "00001818-0000-1000-8000-00805f9b34fb", listen: "00002a63-0000-1000-8000-00805f9b34fb", value: []byte{0, 0, 30, 0}}),
		inAir(b, &strap{b: b, address: "09:09:09:09:09:0B", service: "00001822-0000-1000-8000-00805f9b34fb", listen: "00002a5f-0000-1000-8000-00805f9b34fb", value: []byte{0, 97, 0, 80, 0}}),
	}
	b.click(`.looks button:nth-child(4)`)
	for i, air := range sensors {
		choose(b)
		b.click(fmt.Sprintf(`.sensors p button:nth-child(%d)`, i+1))
		b.until(patience, "the page asks for the sensor", fmt.Sprintf(`gradus.signals.sources.length === %d`, i+1))
		air.services()
		b.until(patience, "the sensor is connected", fmt.Sprintf(`gradus.signals.sources[%d].state === "on" && window.listened.length > %d`, i, i))
	}
	b.click(due)
	b.until(patience, "stage 1", `gradus.view.phase === "riding"`)
	for range 5 {
		eval[int](b, `Promise.all(window.listened.map((c) => c.readValue())).then((all) => all.length)`)
	}
	b.until(patience, "each gives its value", fmt.Sprintf(`gradus.signals.last("hr")?.v === %d && gradus.signals.last("power")?.v === 30 && gradus.signals.last("spo2")?.v === 97`, beatsPerMinute))
	b.look("several-sensors")
	call(b, bluetoothemulation.SimulateGATTDisconnection, bluetoothemulation.SimulateGATTDisconnectionParams{Address: sensors[1].address})
	b.until(patience, "one is lost, the others stay", `gradus.signals.sources.map((s) => s.state === "on").join() === "true,false,true"`)
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
