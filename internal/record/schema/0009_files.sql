-- +goose Up
-- Files that belong to the record and to every server of it: own protocols, comparisons of equations with their papers,
-- mappings of a clinic's spreadsheets, spreadsheets that somebody looks at, versions of the site's card.
CREATE TABLE files (
  id      INTEGER PRIMARY KEY,
  kind    TEXT NOT NULL,
  name    TEXT NOT NULL,
  version TEXT NOT NULL,
  title   TEXT NOT NULL,     -- what people call it, or ''
  content BLOB NOT NULL,
  by      TEXT NOT NULL,     -- who kept it; '' for one that was taken over from the data directory
  at_ms   INTEGER NOT NULL,
  UNIQUE (kind, name, version)
) STRICT;

-- The codes under which people of a site stand in de-identified exports.
CREATE TABLE study_codes (
  id          INTEGER PRIMARY KEY,
  site        INTEGER NOT NULL REFERENCES sites (id),
  participant TEXT NOT NULL, -- code of the clinic; of somebody who need not be in the record
  code        TEXT NOT NULL UNIQUE,
  UNIQUE (site, participant)
) STRICT;

-- +goose StatementBegin
CREATE TRIGGER files_added AFTER INSERT ON files BEGIN INSERT INTO touched VALUES ('files', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER files_changed AFTER UPDATE ON files BEGIN INSERT INTO touched VALUES ('files', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER files_removed AFTER DELETE ON files BEGIN INSERT INTO touched VALUES ('files', OLD.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER study_codes_added AFTER INSERT ON study_codes BEGIN INSERT INTO touched VALUES ('study_codes', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER study_codes_changed AFTER UPDATE ON study_codes BEGIN INSERT INTO touched VALUES ('study_codes', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER study_codes_removed AFTER DELETE ON study_codes BEGIN INSERT INTO touched VALUES ('study_codes', OLD.id, ''); END;
-- +goose StatementEnd
