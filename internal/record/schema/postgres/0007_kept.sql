-- +goose Up
-- Small things that the servers of one record share: the key of the forms, the clocks of tests, the site's card.
CREATE TABLE kept (
  name    TEXT COLLATE "C" PRIMARY KEY,
  content BYTEA NOT NULL
);
