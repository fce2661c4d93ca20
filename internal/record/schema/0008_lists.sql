-- +goose Up
-- The newest tests, of all sites and of one, without looking at every test there is.
CREATE INDEX tests_by_created ON tests (created_ms DESC, id);
CREATE INDEX tests_of_site ON tests (site, created_ms DESC, id);
