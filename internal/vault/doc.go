// Package vault holds the key of an encrypted record. The key is drawn by chance and never stored as it is: the key file
// beside the record holds it twice, sealed once with the passphrase and once with the recovery key, which is printed
// and kept elsewhere. Who has lost both has lost the record.
//
// Changing the passphrase or the recovery key seals the same key anew. Changing the key itself copies the record. Each
// change leaves a working record wherever it is broken off.
package vault
