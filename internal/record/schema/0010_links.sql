-- +goose Up
-- Decisions of a centre whether two people of different sites are one. They change nothing of either.
CREATE TABLE links (
  id         INTEGER PRIMARY KEY,
  one_id     INTEGER NOT NULL REFERENCES participants (id), -- the lower number of the two
  other_id   INTEGER NOT NULL REFERENCES participants (id),
  same       INTEGER NOT NULL, -- 1: one person, 0: two people
  by         TEXT NOT NULL,
  why        TEXT NOT NULL,
  at_ms      INTEGER NOT NULL,
  undone_by  TEXT,
  undone_why TEXT,
  undone_ms  INTEGER
) STRICT;
CREATE UNIQUE INDEX links_standing ON links (one_id, other_id) WHERE undone_ms IS NULL;
CREATE INDEX links_one ON links (one_id);
CREATE INDEX links_other ON links (other_id);

-- +goose StatementBegin
CREATE TRIGGER links_added AFTER INSERT ON links BEGIN INSERT INTO touched VALUES ('links', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER links_changed AFTER UPDATE ON links BEGIN INSERT INTO touched VALUES ('links', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER links_removed AFTER DELETE ON links BEGIN INSERT INTO touched VALUES ('links', OLD.id, ''); END;
-- +goose StatementEnd
