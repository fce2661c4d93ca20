package centre

// SetFullParcel makes parcels small for a test and returns what makes them large again.
func SetFullParcel(bytes int) func() {
	was := fullParcel
	fullParcel = bytes
	return func() { fullParcel = was }
}

// Sign is the proof of a site under a parcel.
func Sign(k Key, body []byte) string { return k.sign(body) }
