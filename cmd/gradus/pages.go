package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"path/filepath"
	"sync"
	"time"

	"gradus/internal/backup"
	"gradus/internal/centre"
	"gradus/internal/record"
	"gradus/internal/vault"
	"gradus/internal/web"
)

// pages are what is served: the pages themselves, or a gate before them.
type pages interface {
	http.Handler
	Built() bool
}

// opener opens the record and the pages on it: at once when it is plain, behind the gate when it is encrypted.
type opener struct {
	s       *session
	options web.Options // without store and key

	mu     sync.Mutex
	store  record.Store
	ending context.CancelFunc // of the backups
	ended  sync.WaitGroup
}

// open returns what is to be served first.
func (o *opener) open(ctx context.Context, e *env) (pages, error) {
	if o.s.database != "" {
		if o.s.plain {
			return nil, usageError{"--plain is about a record in a file, not in a database"}
		}
		return o.pages(ctx, nil)
	}
	state, err := vault.StateOf(o.s.dir)
	if err != nil {
		return nil, err
	}
	plain := o.s.plain || o.s.demo
	switch {
	case state == vault.Locked && plain:
		return nil, fmt.Errorf("the record in %s is encrypted; leave --plain out", o.s.dir)
	case state == vault.Plain && !plain:
		fmt.Fprintf(e.err, "gradus: the record in %s is not encrypted; 'gradus keys encrypt --data %s' does it\n", o.s.dir, o.s.dir)
		plain = true
	}
	if plain {
		return o.pages(ctx, nil)
	}
	gate, err := web.NewGate(o.options, o.pages)
	if err != nil {
		return nil, err
	}
	passphrase, err := o.s.passphrase.given()
	if err != nil || passphrase == "" {
		return gate, err
	}
	if state == vault.New {
		return nil, fmt.Errorf("there is no record in %s yet, so no passphrase opens it; make it with 'gradus keys make --data %s', or start without --passphrase-file and set it up in the browser", o.s.dir, o.s.dir)
	}
	if err := gate.Unlock(ctx, passphrase); err != nil {
		return nil, fmt.Errorf("%s: %w", o.s.dir, err)
	}
	return gate, nil
}

// pages opens the record with a key, nil when it is plain, and the pages on it.
func (o *opener) pages(ctx context.Context, k *vault.Key) (*web.Server, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	store, shared, err := o.s.open(ctx, k)
	if err != nil {
		return nil, err
	}
	if o.s.ready != nil {
		if err := o.s.ready(ctx, store); err != nil {
			return nil, errors.Join(err, store.Close())
		}
	}
	options := o.options
	options.Store, options.Shared, options.Vault = store, shared, k
	if k != nil {
		options.Owner = k
	}
	server, err := web.New(options)
	if err != nil {
		return nil, errors.Join(err, store.Close())
	}
	o.store = store
	if file, is := store.(*record.SQLite); is && file.Before() != "" {
		o.options.Log.Info("the record was brought up to date; a copy of before lies beside it", "file", filepath.Base(file.Before()))
	}
	o.backUp(store, k)
	return server, nil
}

// backUp starts the backups that the program makes by itself.
func (o *opener) backUp(store record.Store, k *vault.Key) {
	file, ok := store.(*record.SQLite)
	if !ok || o.s.backups.Dir == "" {
		return
	}
	ctx, ending := context.WithCancel(context.Background())
	o.ending = ending
	o.ended.Go(func() {
		o.s.backups.run(ctx, backup.Source{Store: file, Key: k, Dir: o.s.dir, Program: programVersion(), Now: time.Now}, o.options.Log)
	})
}

// centre is the record for other sites that send theirs, once it is open.
func (o *opener) centre() (centre.Store, bool) {
	o.mu.Lock()
	defer o.mu.Unlock()
	s, ok := o.store.(centre.Store)
	return s, ok
}

func (o *opener) close() error {
	o.mu.Lock()
	defer o.mu.Unlock()
	if o.store == nil {
		return nil
	}
	if o.ending != nil {
		o.ending()
		o.ended.Wait()
	}
	return o.store.Close()
}
