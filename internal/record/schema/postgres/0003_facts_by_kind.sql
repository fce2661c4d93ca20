-- +goose Up
CREATE INDEX facts_by_kind ON facts (kind, at_ms);
