package gatt

import "fmt"

// DeviceText is a text of the Device Information service: maker, model, hardware, firmware or software.
type DeviceText struct {
	Surplus
	UUID uint16
	Text string
}

// DecodeDeviceText reads 0x2A24 and 0x2A26 to 0x2A29. A zero octet ends the text for devices that pad it.
func DecodeDeviceText(uuid uint16, data []byte) (DeviceText, error) {
	c := newCursor(uuid, data)
	for i, b := range c.data {
		if b == 0 {
			c.data = c.data[:i]
			break
		}
	}
	t := DeviceText{UUID: uuid, Text: c.text(false)}
	t.TrailingOctets = len(data) - c.at
	return finish(&c, t)
}

// PnPID is 0x2A50: numbers of vendor and product.
type PnPID struct {
	Surplus
	VendorIDSource      uint8 // 1 Bluetooth SIG, 2 USB forum (memory)
	VendorID, ProductID uint16
	Version             uint16 // 0xJJMN: JJ.M.N (memory)
}

// VersionText writes the version as 1.1.0.
func (p PnPID) VersionText() string {
	return fmt.Sprintf("%d.%d.%d", p.Version>>8, p.Version>>4&0xF, p.Version&0xF)
}

// DecodePnPID reads PnP ID, 0x2A50.
func DecodePnPID(data []byte) (PnPID, error) {
	c := newCursor(UUIDPnPID, data)
	p := PnPID{VendorIDSource: c.u8("vendor id source"), VendorID: c.u16("vendor id"), ProductID: c.u16("product id"), Version: c.u16("product version")}
	p.Surplus = c.surplus(0, 0)
	return finish(&c, p)
}
