-- +goose Up
ALTER TABLE participants DROP COLUMN search;
ALTER TABLE participants ADD COLUMN age_years REAL NOT NULL DEFAULT 0;    -- as told; 0: not told
ALTER TABLE participants ADD COLUMN age_told TEXT NOT NULL DEFAULT '';    -- the day it was told
ALTER TABLE participants ADD COLUMN gender TEXT NOT NULL DEFAULT '';      -- the person's own word; no equation uses it
ALTER TABLE participants ADD COLUMN rhythm TEXT NOT NULL DEFAULT '';
ALTER TABLE participants ADD COLUMN condition TEXT NOT NULL DEFAULT '';   -- kinds, as the inputs of a test name them
ALTER TABLE participants ADD COLUMN conditions TEXT NOT NULL DEFAULT '[]'; -- JSON list of texts
ALTER TABLE participants ADD COLUMN drugs TEXT NOT NULL DEFAULT '[]';      -- JSON list
ALTER TABLE participants ADD COLUMN archived_ms INTEGER;
ALTER TABLE participants ADD COLUMN merged_into INTEGER REFERENCES participants (id); -- of the last merge that stands
ALTER TABLE participants ADD COLUMN kept INTEGER REFERENCES participants (id);        -- at the end of the merges
ALTER TABLE participants ADD COLUMN changed INTEGER NOT NULL DEFAULT 0;   -- rises with every change of any person
CREATE INDEX participants_by_change ON participants (changed);
CREATE INDEX participants_by_birth ON participants (birth_date) WHERE birth_date <> '';
CREATE INDEX participants_by_kept ON participants (kept) WHERE kept IS NOT NULL;

CREATE TABLE identifiers (
  participant INTEGER NOT NULL REFERENCES participants (id),
  place       INTEGER NOT NULL, -- 1, 2, …
  system      TEXT NOT NULL,
  value       TEXT NOT NULL,
  folded      TEXT NOT NULL,    -- system and value, small and without accents
  PRIMARY KEY (participant, place)
) STRICT, WITHOUT ROWID;
CREATE INDEX identifiers_by_value ON identifiers (folded);

CREATE TABLE merges (
  id         INTEGER PRIMARY KEY,
  from_id    INTEGER NOT NULL REFERENCES participants (id),
  into_id    INTEGER NOT NULL REFERENCES participants (id),
  by         TEXT NOT NULL,
  why        TEXT NOT NULL,
  at_ms      INTEGER NOT NULL,
  undone_by  TEXT,
  undone_why TEXT,
  undone_ms  INTEGER
) STRICT;
CREATE INDEX merges_from ON merges (from_id);
CREATE INDEX merges_into ON merges (into_id);

CREATE TABLE visits (
  id          INTEGER PRIMARY KEY,
  participant INTEGER NOT NULL REFERENCES participants (id),
  date        TEXT NOT NULL,  -- YYYY-MM-DD where the visit takes place
  time        TEXT NOT NULL,  -- HH:MM or ''
  retest_due  TEXT NOT NULL,  -- YYYY-MM-DD or ''
  state       TEXT NOT NULL,
  note        TEXT NOT NULL,
  created_ms  INTEGER NOT NULL,
  UNIQUE (participant, date)
) STRICT;
CREATE INDEX visits_by_date ON visits (date);
CREATE INDEX visits_by_due ON visits (retest_due) WHERE retest_due <> '';

ALTER TABLE tests ADD COLUMN visit INTEGER REFERENCES visits (id);
CREATE INDEX tests_of_visit ON tests (visit) WHERE visit IS NOT NULL;

CREATE TABLE facts (
  visit INTEGER NOT NULL REFERENCES visits (id),
  n     INTEGER NOT NULL,  -- 1, 2, … in the visit
  kind  TEXT NOT NULL,
  json  TEXT NOT NULL,
  by    TEXT NOT NULL,
  at_ms INTEGER NOT NULL,
  PRIMARY KEY (visit, n)
) STRICT, WITHOUT ROWID;

CREATE TABLE results (
  test  TEXT NOT NULL REFERENCES tests (id),
  n     INTEGER NOT NULL,  -- 1, 2, …; each replaces the one before
  json  TEXT NOT NULL,
  by    TEXT NOT NULL,
  why   TEXT NOT NULL,
  at_ms INTEGER NOT NULL,
  PRIMARY KEY (test, n)
) STRICT, WITHOUT ROWID;

CREATE TABLE papers (
  id       INTEGER PRIMARY KEY,
  test     TEXT NOT NULL,
  version  INTEGER NOT NULL,
  what     TEXT NOT NULL,
  to_whom  TEXT NOT NULL,
  by       TEXT NOT NULL,
  at_ms    INTEGER NOT NULL,
  FOREIGN KEY (test, version) REFERENCES results (test, n)
) STRICT;
CREATE INDEX papers_of_test ON papers (test, version);

CREATE TABLE machines (id INTEGER PRIMARY KEY) STRICT;
CREATE TABLE machine_versions (
  machine INTEGER NOT NULL REFERENCES machines (id),
  n       INTEGER NOT NULL,
  json    TEXT NOT NULL,   -- the profile
  by      TEXT NOT NULL,
  at_ms   INTEGER NOT NULL,
  PRIMARY KEY (machine, n)
) STRICT, WITHOUT ROWID;
CREATE TABLE control_runs (
  id         INTEGER PRIMARY KEY,
  machine    INTEGER NOT NULL REFERENCES machines (id),
  staff      TEXT NOT NULL,  -- code of a staff member
  date       TEXT NOT NULL,
  work_w     REAL NOT NULL,  -- W, or the level of a machine that shows levels
  rates      TEXT NOT NULL,  -- JSON list, 1/min
  anew       INTEGER NOT NULL,
  note       TEXT NOT NULL,
  by         TEXT NOT NULL,
  at_ms      INTEGER NOT NULL,
  struck_by  TEXT,
  struck_why TEXT,
  struck_ms  INTEGER
) STRICT;
CREATE INDEX control_runs_of_machine ON control_runs (machine, date);

-- What the program itself completes after the schema, each in one transaction with the removal of its line.
CREATE TABLE to_complete (what TEXT PRIMARY KEY) STRICT;
INSERT INTO to_complete (what) SELECT 'visits-of-tests' WHERE EXISTS (SELECT 1 FROM tests);
