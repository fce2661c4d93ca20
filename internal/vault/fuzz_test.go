package vault

import "testing"

// A key file and a typed recovery key are read or refused, whatever they hold, and no file makes a try cost more than the bounds.
func FuzzKeyFile(f *testing.F) {
	f.Add([]byte(`{"format":"` + keyFormat + `","version":1,"sets":[{"id":"x","salt":"AAAA","passphrase":{"by":"argon2id","time":1,"memory_kib":8,"lanes":1,"salt":"AAAAAAAAAAAAAAAAAAAAAA==","nonce":"","key":""},"recovery":{"by":"hkdf-sha256","salt":"AAAA","nonce":"AAAA","key":"AAAA"}}]}`))
	f.Add([]byte(`{}`))
	f.Add([]byte("AAAA-BBBB-CCCC"))
	f.Fuzz(func(t *testing.T, text []byte) {
		if k, err := parse(text); err == nil {
			for i := range k.Sets {
				if p := &k.Sets[i].Passphrase; p.Memory > 64 || p.Time > 1 {
					return // a try would take long; the bounds have a test of their own
				}
			}
			if _, err := k.Unlock("no passphrase"); err == nil {
				t.Error("a made-up file was opened")
			}
			_, _ = k.Recover(string(text))
		}
		_, _ = ParseRecovery(string(text)) // an error is an answer
	})
}
