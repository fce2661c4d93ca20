// Package record keeps what happens at the bedside: people, tests, their events and sensor samples, on disk.
//
// Its one promise is that what was acknowledged is there afterwards. [Store.Append] returns only when the events
// are on the disk, each exactly once, without a gap; a killed program, a power cut or an event that is sent twice
// changes nothing about that. When the disk is full, read-only or damaged, the error says where and what to do,
// and nothing of the call has been stored.
//
// [Open] opens the record in a data directory, an SQLite file in write-ahead mode where every commit is synced;
// package recordtest defines what every other store must do as well. Events hold no name and no birth date; those
// stand with the participant alone. The package does not judge events: which ones make sense is for package
// conduct.
package record
