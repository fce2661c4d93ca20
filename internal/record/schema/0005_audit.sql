-- +goose Up
-- The audit trail: who saw, entered, corrected, exported and signed what and when. Package audit says how each entry is
-- bound to the one before.
CREATE TABLE audit (
  seq   INTEGER PRIMARY KEY, -- 1, 2, … without a gap
  at_ms INTEGER NOT NULL,    -- wall time
  topic TEXT NOT NULL,       -- the beginning of what the entry is about: person/5, visit/3, test/T
  json  TEXT NOT NULL,       -- the entry in its canonical form
  hash  TEXT NOT NULL        -- of the hash before and the entry
) STRICT;
CREATE INDEX audit_by_topic ON audit (topic, seq);

-- What each digest of the trail was made with: a number drawn by chance, so that nobody can try out what a person's
-- entry may have said once the person, and this row, are deleted.
CREATE TABLE digests (
  entity TEXT PRIMARY KEY,
  salt   TEXT NOT NULL,
  digest TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Rows that the transaction at work has changed; its end turns them into entries. Empty outside one.
CREATE TABLE touched (tab TEXT NOT NULL, key1 TEXT NOT NULL, key2 TEXT NOT NULL) STRICT;

-- The trail of a record that was just made may be replaced by that of a record which is moved into it.
-- +goose StatementBegin
CREATE TRIGGER audit_no_update BEFORE UPDATE ON audit BEGIN SELECT RAISE(ABORT, 'the audit trail is only added to'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER audit_no_delete BEFORE DELETE ON audit WHEN (SELECT max(seq) FROM audit) > 1 BEGIN SELECT RAISE(ABORT, 'the audit trail is only added to'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER events_no_update BEFORE UPDATE ON events BEGIN SELECT RAISE(ABORT, 'events are only added'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER samples_no_update BEFORE UPDATE ON samples BEGIN SELECT RAISE(ABORT, 'samples are only added'); END;
-- +goose StatementEnd

-- +goose StatementBegin
CREATE TRIGGER participants_added AFTER INSERT ON participants BEGIN INSERT INTO touched VALUES ('participants', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER participants_changed AFTER UPDATE ON participants BEGIN INSERT INTO touched VALUES ('participants', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER participants_removed AFTER DELETE ON participants BEGIN INSERT INTO touched VALUES ('participants', OLD.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER identifiers_added AFTER INSERT ON identifiers BEGIN INSERT INTO touched VALUES ('identifiers', NEW.participant, NEW.place); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER identifiers_changed AFTER UPDATE ON identifiers BEGIN INSERT INTO touched VALUES ('identifiers', NEW.participant, NEW.place); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER identifiers_removed AFTER DELETE ON identifiers BEGIN INSERT INTO touched VALUES ('identifiers', OLD.participant, OLD.place); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER merges_added AFTER INSERT ON merges BEGIN INSERT INTO touched VALUES ('merges', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER merges_changed AFTER UPDATE ON merges BEGIN INSERT INTO touched VALUES ('merges', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER merges_removed AFTER DELETE ON merges BEGIN INSERT INTO touched VALUES ('merges', OLD.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER visits_added AFTER INSERT ON visits BEGIN INSERT INTO touched VALUES ('visits', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER visits_changed AFTER UPDATE ON visits BEGIN INSERT INTO touched VALUES ('visits', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER visits_removed AFTER DELETE ON visits BEGIN INSERT INTO touched VALUES ('visits', OLD.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER facts_added AFTER INSERT ON facts BEGIN INSERT INTO touched VALUES ('facts', NEW.visit, NEW.n); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER facts_changed AFTER UPDATE ON facts BEGIN INSERT INTO touched VALUES ('facts', NEW.visit, NEW.n); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER facts_removed AFTER DELETE ON facts BEGIN INSERT INTO touched VALUES ('facts', OLD.visit, OLD.n); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER tests_added AFTER INSERT ON tests BEGIN INSERT INTO touched VALUES ('tests', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER tests_changed AFTER UPDATE ON tests BEGIN INSERT INTO touched VALUES ('tests', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER tests_removed AFTER DELETE ON tests BEGIN INSERT INTO touched VALUES ('tests', OLD.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER reassignments_added AFTER INSERT ON reassignments BEGIN INSERT INTO touched VALUES ('reassignments', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER reassignments_changed AFTER UPDATE ON reassignments BEGIN INSERT INTO touched VALUES ('reassignments', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER reassignments_removed AFTER DELETE ON reassignments BEGIN INSERT INTO touched VALUES ('reassignments', OLD.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER results_added AFTER INSERT ON results BEGIN INSERT INTO touched VALUES ('results', NEW.test, NEW.n); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER results_changed AFTER UPDATE ON results BEGIN INSERT INTO touched VALUES ('results', NEW.test, NEW.n); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER results_removed AFTER DELETE ON results BEGIN INSERT INTO touched VALUES ('results', OLD.test, OLD.n); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER papers_added AFTER INSERT ON papers BEGIN INSERT INTO touched VALUES ('papers', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER papers_changed AFTER UPDATE ON papers BEGIN INSERT INTO touched VALUES ('papers', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER papers_removed AFTER DELETE ON papers BEGIN INSERT INTO touched VALUES ('papers', OLD.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER machine_versions_added AFTER INSERT ON machine_versions BEGIN INSERT INTO touched VALUES ('machine_versions', NEW.machine, NEW.n); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER machine_versions_changed AFTER UPDATE ON machine_versions BEGIN INSERT INTO touched VALUES ('machine_versions', NEW.machine, NEW.n); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER machine_versions_removed AFTER DELETE ON machine_versions BEGIN INSERT INTO touched VALUES ('machine_versions', OLD.machine, OLD.n); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER control_runs_added AFTER INSERT ON control_runs BEGIN INSERT INTO touched VALUES ('control_runs', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER control_runs_changed AFTER UPDATE ON control_runs BEGIN INSERT INTO touched VALUES ('control_runs', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER control_runs_removed AFTER DELETE ON control_runs BEGIN INSERT INTO touched VALUES ('control_runs', OLD.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER sites_added AFTER INSERT ON sites BEGIN INSERT INTO touched VALUES ('sites', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER sites_changed AFTER UPDATE ON sites BEGIN INSERT INTO touched VALUES ('sites', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER sites_removed AFTER DELETE ON sites BEGIN INSERT INTO touched VALUES ('sites', OLD.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER accounts_added AFTER INSERT ON accounts BEGIN INSERT INTO touched VALUES ('accounts', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER accounts_changed AFTER UPDATE ON accounts BEGIN INSERT INTO touched VALUES ('accounts', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER accounts_removed AFTER DELETE ON accounts BEGIN INSERT INTO touched VALUES ('accounts', OLD.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER passkeys_added AFTER INSERT ON passkeys BEGIN INSERT INTO touched VALUES ('passkeys', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER passkeys_changed AFTER UPDATE ON passkeys BEGIN INSERT INTO touched VALUES ('passkeys', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER passkeys_removed AFTER DELETE ON passkeys BEGIN INSERT INTO touched VALUES ('passkeys', OLD.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER recovery_codes_added AFTER INSERT ON recovery_codes BEGIN INSERT INTO touched VALUES ('recovery_codes', NEW.account, NEW.hash); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER recovery_codes_changed AFTER UPDATE ON recovery_codes BEGIN INSERT INTO touched VALUES ('recovery_codes', NEW.account, NEW.hash); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER recovery_codes_removed AFTER DELETE ON recovery_codes BEGIN INSERT INTO touched VALUES ('recovery_codes', OLD.account, OLD.hash); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER resets_added AFTER INSERT ON resets BEGIN INSERT INTO touched VALUES ('resets', NEW.hash, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER resets_changed AFTER UPDATE ON resets BEGIN INSERT INTO touched VALUES ('resets', NEW.hash, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER resets_removed AFTER DELETE ON resets BEGIN INSERT INTO touched VALUES ('resets', OLD.hash, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER countersigns_added AFTER INSERT ON countersigns BEGIN INSERT INTO touched VALUES ('countersigns', NEW.test, NEW.n); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER countersigns_changed AFTER UPDATE ON countersigns BEGIN INSERT INTO touched VALUES ('countersigns', NEW.test, NEW.n); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER countersigns_removed AFTER DELETE ON countersigns BEGIN INSERT INTO touched VALUES ('countersigns', OLD.test, OLD.n); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER consents_added AFTER INSERT ON consents BEGIN INSERT INTO touched VALUES ('consents', NEW.participant, NEW.n); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER consents_changed AFTER UPDATE ON consents BEGIN INSERT INTO touched VALUES ('consents', NEW.participant, NEW.n); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER consents_removed AFTER DELETE ON consents BEGIN INSERT INTO touched VALUES ('consents', OLD.participant, OLD.n); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER erasures_added AFTER INSERT ON erasures BEGIN INSERT INTO touched VALUES ('erasures', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER erasures_changed AFTER UPDATE ON erasures BEGIN INSERT INTO touched VALUES ('erasures', NEW.id, ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER erasures_removed AFTER DELETE ON erasures BEGIN INSERT INTO touched VALUES ('erasures', OLD.id, ''); END;
-- +goose StatementEnd

INSERT INTO to_complete (what) VALUES ('audit');
