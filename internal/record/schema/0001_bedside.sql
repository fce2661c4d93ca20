-- +goose Up
CREATE TABLE participants (
  id         INTEGER PRIMARY KEY,
  code       TEXT NOT NULL COLLATE NOCASE UNIQUE,
  name       TEXT NOT NULL,
  birth_date TEXT NOT NULL,    -- YYYY-MM-DD or ''
  sex        TEXT NOT NULL,    -- as the equations use it
  note       TEXT NOT NULL,
  search     TEXT NOT NULL,    -- code and name in small letters
  created_ms INTEGER NOT NULL  -- wall time, ms since 1970, UTC
) STRICT;

CREATE TABLE tests (
  id               TEXT PRIMARY KEY,
  participant      INTEGER REFERENCES participants (id),
  protocol_id      TEXT NOT NULL,
  protocol_version TEXT NOT NULL,
  protocol_hash    TEXT NOT NULL,
  protocol_sent    BLOB NOT NULL, -- JSON as sent to the page
  title            TEXT NOT NULL,
  demo             INTEGER NOT NULL,
  created_ms       INTEGER NOT NULL,
  closed_ms        INTEGER
) STRICT;
CREATE INDEX tests_of_participant ON tests (participant, created_ms);
CREATE INDEX tests_running ON tests (created_ms) WHERE closed_ms IS NULL;

CREATE TABLE events (
  test        TEXT NOT NULL REFERENCES tests (id),
  term        INTEGER NOT NULL CHECK (term > 0),
  n           INTEGER NOT NULL CHECK (n > 0),
  at_ms       INTEGER NOT NULL, -- test time
  kind        TEXT NOT NULL,
  json        TEXT NOT NULL,    -- the whole event
  received_ms INTEGER NOT NULL, -- wall time
  PRIMARY KEY (test, term, n)
) STRICT, WITHOUT ROWID;

CREATE TABLE samples (
  test    TEXT NOT NULL REFERENCES tests (id),
  seq     INTEGER NOT NULL,
  from_ms INTEGER NOT NULL, -- test time
  to_ms   INTEGER NOT NULL,
  kind    TEXT NOT NULL,
  payload BLOB NOT NULL,
  PRIMARY KEY (test, seq)
) STRICT;
CREATE INDEX samples_by_time ON samples (test, kind, from_ms);

CREATE TABLE reassignments (
  id      INTEGER PRIMARY KEY,
  test    TEXT NOT NULL REFERENCES tests (id),
  from_id INTEGER REFERENCES participants (id),
  to_id   INTEGER NOT NULL REFERENCES participants (id),
  by      TEXT NOT NULL,
  why     TEXT NOT NULL,
  at_ms   INTEGER NOT NULL  -- wall time
) STRICT;
CREATE INDEX reassignments_of_test ON reassignments (test);
