-- +goose Up
CREATE TABLE sites (
  id         INTEGER PRIMARY KEY,
  name       TEXT NOT NULL,
  keep_years INTEGER NOT NULL,  -- how long a person's record has to be kept after the last visit; 0: no rule
  created_ms INTEGER NOT NULL
) STRICT;
INSERT INTO sites (name, keep_years, created_ms) VALUES ('', 0, 0);

CREATE TABLE accounts (
  id          INTEGER PRIMARY KEY,
  login       TEXT NOT NULL UNIQUE,  -- in small letters
  name        TEXT NOT NULL,
  roles       TEXT NOT NULL,         -- words, one space between them
  site        INTEGER NOT NULL REFERENCES sites (id),
  password    TEXT NOT NULL,         -- argon2id as a PHC string; '' has none
  totp        TEXT NOT NULL,         -- secret in base 32; '' has none
  totp_step   INTEGER NOT NULL,      -- the last one used; none is used twice
  handle      TEXT NOT NULL UNIQUE,  -- under which passkeys know the account; drawn by chance
  created_ms  INTEGER NOT NULL,
  created_by  TEXT NOT NULL,
  disabled_ms INTEGER
) STRICT;

CREATE TABLE passkeys (
  id         TEXT PRIMARY KEY,  -- of the credential, base64url
  account    INTEGER NOT NULL REFERENCES accounts (id),
  name       TEXT NOT NULL,
  json       TEXT NOT NULL,     -- public key and counter
  created_ms INTEGER NOT NULL,
  used_ms    INTEGER
) STRICT;
CREATE INDEX passkeys_of_account ON passkeys (account);

CREATE TABLE recovery_codes (
  account INTEGER NOT NULL REFERENCES accounts (id),
  hash    TEXT NOT NULL,
  used_ms INTEGER,
  PRIMARY KEY (account, hash)
) STRICT, WITHOUT ROWID;

CREATE TABLE resets (
  hash       TEXT PRIMARY KEY,
  account    INTEGER NOT NULL REFERENCES accounts (id),
  by         TEXT NOT NULL,
  created_ms INTEGER NOT NULL,
  until_ms   INTEGER NOT NULL,
  used_ms    INTEGER
) STRICT;
CREATE INDEX resets_of_account ON resets (account);

CREATE TABLE sessions (
  hash       TEXT PRIMARY KEY,  -- of the token, which only the browser has
  account    INTEGER REFERENCES accounts (id),  -- NULL: the owner of a record without accounts
  created_ms INTEGER NOT NULL,
  seen_ms    INTEGER NOT NULL,
  proved_ms  INTEGER NOT NULL,  -- when the person last proved who it is
  until_ms   INTEGER NOT NULL,
  locked_ms  INTEGER,
  ended_ms   INTEGER,
  source     TEXT NOT NULL,
  agent      TEXT NOT NULL
) STRICT;
CREATE INDEX sessions_of_account ON sessions (account, ended_ms);

CREATE TABLE attempts (
  what     TEXT PRIMARY KEY,  -- hash of account or source
  failures INTEGER NOT NULL,
  last_ms  INTEGER NOT NULL
) STRICT;

-- A code is unique in its site. Rows that refer to a person are looked at again when the transaction ends.
PRAGMA defer_foreign_keys = ON;
CREATE TABLE participants_before AS SELECT * FROM participants;
DROP TABLE participants;
CREATE TABLE participants (
  id          INTEGER PRIMARY KEY,
  site        INTEGER NOT NULL REFERENCES sites (id),
  code        TEXT NOT NULL COLLATE NOCASE,
  name        TEXT NOT NULL,
  birth_date  TEXT NOT NULL,    -- YYYY-MM-DD or ''
  sex         TEXT NOT NULL,    -- as the equations use it
  note        TEXT NOT NULL,
  created_ms  INTEGER NOT NULL, -- wall time, ms since 1970, UTC
  age_years   REAL NOT NULL,    -- as told; 0: not told
  age_told    TEXT NOT NULL,    -- the day it was told
  gender      TEXT NOT NULL,    -- the person's own word; no equation uses it
  rhythm      TEXT NOT NULL,
  condition   TEXT NOT NULL,    -- kinds, as the inputs of a test name them
  conditions  TEXT NOT NULL,    -- JSON list of texts
  drugs       TEXT NOT NULL,    -- JSON list
  archived_ms INTEGER,
  merged_into INTEGER REFERENCES participants (id), -- of the last merge that stands
  kept        INTEGER REFERENCES participants (id), -- at the end of the merges
  changed     INTEGER NOT NULL, -- rises with every change of any person
  erased_ms   INTEGER,          -- the person was deleted; the row is empty and stays
  UNIQUE (site, code)
) STRICT;
INSERT INTO participants (id, site, code, name, birth_date, sex, note, created_ms, age_years, age_told, gender, rhythm, condition, conditions, drugs, archived_ms, merged_into, kept, changed)
  SELECT id, 1, code, name, birth_date, sex, note, created_ms, age_years, age_told, gender, rhythm, condition, conditions, drugs, archived_ms, merged_into, kept, changed FROM participants_before;
DROP TABLE participants_before;
CREATE INDEX participants_by_change ON participants (changed);
CREATE INDEX participants_by_birth ON participants (birth_date) WHERE birth_date <> '';
CREATE INDEX participants_by_kept ON participants (kept) WHERE kept IS NOT NULL;

ALTER TABLE machines ADD COLUMN site INTEGER REFERENCES sites (id);
UPDATE machines SET site = 1;
ALTER TABLE tests ADD COLUMN site INTEGER REFERENCES sites (id);
UPDATE tests SET site = 1;
ALTER TABLE tests ADD COLUMN account INTEGER REFERENCES accounts (id);  -- who began it
ALTER TABLE tests ADD COLUMN student INTEGER NOT NULL DEFAULT 0;        -- it counts only when countersigned

CREATE TABLE countersigns (
  test TEXT NOT NULL REFERENCES tests (id),
  n    INTEGER NOT NULL,  -- 1, 2, …; the last one holds
  json TEXT NOT NULL,     -- who, when, a note, and the events that were there
  PRIMARY KEY (test, n)
) STRICT, WITHOUT ROWID;

CREATE TABLE consents (
  participant INTEGER NOT NULL REFERENCES participants (id),
  n           INTEGER NOT NULL,  -- 1, 2, …; the last one of a purpose holds
  purpose     TEXT NOT NULL,
  given       INTEGER NOT NULL,  -- 0: refused or withdrawn
  date        TEXT NOT NULL,     -- YYYY-MM-DD
  note        TEXT NOT NULL,
  by          TEXT NOT NULL,
  at_ms       INTEGER NOT NULL,
  PRIMARY KEY (participant, n)
) STRICT, WITHOUT ROWID;

CREATE TABLE erasures (
  id          INTEGER PRIMARY KEY,
  participant INTEGER NOT NULL REFERENCES participants (id),
  site        INTEGER NOT NULL REFERENCES sites (id),
  by          TEXT NOT NULL,
  why         TEXT NOT NULL,
  overruled   TEXT NOT NULL,     -- the day until which the rule of the site said keep; '' when there was none
  tests       INTEGER NOT NULL,
  visits      INTEGER NOT NULL,
  at_ms       INTEGER NOT NULL
) STRICT;
