-- +goose Up
-- The audit trail: who saw, entered, corrected, exported and signed what and when. Package audit says how each entry is
-- bound to the one before.
CREATE TABLE audit (
  seq   BIGINT PRIMARY KEY,      -- 1, 2, … without a gap
  at_ms BIGINT NOT NULL,          -- wall time
  topic TEXT COLLATE "C" NOT NULL, -- the beginning of what the entry is about: person/5, visit/3, test/T
  json  TEXT COLLATE "C" NOT NULL, -- the entry in its canonical form
  hash  TEXT COLLATE "C" NOT NULL  -- of the hash before and the entry
);
CREATE INDEX audit_by_topic ON audit (topic, seq);

-- What each digest of the trail was made with: a number drawn by chance, so that nobody can try out what a person's
-- entry may have said once the person, and this row, are deleted.
CREATE TABLE digests (
  entity TEXT COLLATE "C" PRIMARY KEY,
  salt   TEXT COLLATE "C" NOT NULL,
  digest TEXT COLLATE "C" NOT NULL
);

-- Rows that the transaction at work has changed; its end turns them into entries. Empty outside one.
CREATE TABLE touched (tab TEXT COLLATE "C" NOT NULL, key1 TEXT COLLATE "C" NOT NULL, key2 TEXT COLLATE "C" NOT NULL);

-- +goose StatementBegin
CREATE FUNCTION touch() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE r jsonb := to_jsonb(CASE WHEN TG_OP = 'DELETE' THEN OLD ELSE NEW END);
BEGIN
  INSERT INTO touched VALUES (TG_TABLE_NAME, r ->> TG_ARGV[0], CASE WHEN TG_NARGS > 1 THEN r ->> TG_ARGV[1] ELSE '' END);
  RETURN NULL;
END $$;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE FUNCTION refuse() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
  IF TG_TABLE_NAME = 'audit' AND TG_OP = 'DELETE' AND (SELECT max(a.seq) FROM audit a) = 1 THEN
    RETURN OLD; -- the trail of a record that was just made may be replaced by that of a record which is moved into it
  END IF;
  RAISE EXCEPTION '% is only added to', TG_TABLE_NAME;
END $$;
-- +goose StatementEnd
-- The end of the trail, under a lock that the transaction keeps: what is added next by whatever program follows it.
-- +goose StatementBegin
CREATE FUNCTION audit_end(lock bigint) RETURNS TABLE (seq bigint, at_ms bigint, hash text) LANGUAGE plpgsql VOLATILE AS $$
BEGIN
  PERFORM pg_advisory_xact_lock(lock);
  RETURN QUERY SELECT a.seq, a.at_ms, a.hash FROM audit a ORDER BY a.seq DESC LIMIT 1;
END $$;
-- +goose StatementEnd

CREATE TRIGGER audit_refuses BEFORE UPDATE OR DELETE ON audit FOR EACH ROW EXECUTE FUNCTION refuse();
CREATE TRIGGER audit_refuses_all BEFORE TRUNCATE ON audit FOR EACH STATEMENT EXECUTE FUNCTION refuse();
CREATE TRIGGER events_refuse BEFORE UPDATE ON events FOR EACH ROW EXECUTE FUNCTION refuse();
CREATE TRIGGER samples_refuse BEFORE UPDATE ON samples FOR EACH ROW EXECUTE FUNCTION refuse();

CREATE TRIGGER participants_touched AFTER INSERT OR UPDATE OR DELETE ON participants FOR EACH ROW EXECUTE FUNCTION touch('id');
CREATE TRIGGER identifiers_touched AFTER INSERT OR UPDATE OR DELETE ON identifiers FOR EACH ROW EXECUTE FUNCTION touch('participant', 'place');
CREATE TRIGGER merges_touched AFTER INSERT OR UPDATE OR DELETE ON merges FOR EACH ROW EXECUTE FUNCTION touch('id');
CREATE TRIGGER visits_touched AFTER INSERT OR UPDATE OR DELETE ON visits FOR EACH ROW EXECUTE FUNCTION touch('id');
CREATE TRIGGER facts_touched AFTER INSERT OR UPDATE OR DELETE ON facts FOR EACH ROW EXECUTE FUNCTION touch('visit', 'n');
CREATE TRIGGER tests_touched AFTER INSERT OR UPDATE OR DELETE ON tests FOR EACH ROW EXECUTE FUNCTION touch('id');
CREATE TRIGGER reassignments_touched AFTER INSERT OR UPDATE OR DELETE ON reassignments FOR EACH ROW EXECUTE FUNCTION touch('id');
CREATE TRIGGER results_touched AFTER INSERT OR UPDATE OR DELETE ON results FOR EACH ROW EXECUTE FUNCTION touch('test', 'n');
CREATE TRIGGER papers_touched AFTER INSERT OR UPDATE OR DELETE ON papers FOR EACH ROW EXECUTE FUNCTION touch('id');
CREATE TRIGGER machine_versions_touched AFTER INSERT OR UPDATE OR DELETE ON machine_versions FOR EACH ROW EXECUTE FUNCTION touch('machine', 'n');
CREATE TRIGGER control_runs_touched AFTER INSERT OR UPDATE OR DELETE ON control_runs FOR EACH ROW EXECUTE FUNCTION touch('id');
CREATE TRIGGER sites_touched AFTER INSERT OR UPDATE OR DELETE ON sites FOR EACH ROW EXECUTE FUNCTION touch('id');
CREATE TRIGGER accounts_touched AFTER INSERT OR UPDATE OR DELETE ON accounts FOR EACH ROW EXECUTE FUNCTION touch('id');
CREATE TRIGGER passkeys_touched AFTER INSERT OR UPDATE OR DELETE ON passkeys FOR EACH ROW EXECUTE FUNCTION touch('id');
CREATE TRIGGER recovery_codes_touched AFTER INSERT OR UPDATE OR DELETE ON recovery_codes FOR EACH ROW EXECUTE FUNCTION touch('account', 'hash');
CREATE TRIGGER resets_touched AFTER INSERT OR UPDATE OR DELETE ON resets FOR EACH ROW EXECUTE FUNCTION touch('hash');
CREATE TRIGGER countersigns_touched AFTER INSERT OR UPDATE OR DELETE ON countersigns FOR EACH ROW EXECUTE FUNCTION touch('test', 'n');
CREATE TRIGGER consents_touched AFTER INSERT OR UPDATE OR DELETE ON consents FOR EACH ROW EXECUTE FUNCTION touch('participant', 'n');
CREATE TRIGGER erasures_touched AFTER INSERT OR UPDATE OR DELETE ON erasures FOR EACH ROW EXECUTE FUNCTION touch('id');

INSERT INTO to_complete (what) VALUES ('audit');
