"""The tables of the queue."""

from __future__ import annotations

VERSION = 1
SCHEMA = """
CREATE TABLE notices (
  key INTEGER PRIMARY KEY AUTOINCREMENT, number INTEGER NOT NULL, identity TEXT NOT NULL,
  kind TEXT NOT NULL, priority TEXT NOT NULL, title TEXT NOT NULL, body TEXT NOT NULL,
  at REAL NOT NULL, came_at REAL NOT NULL, alarm TEXT);
-- One row for each URL that is to get it. It stays, as had, until all have it.
CREATE TABLE turns (
  notice INTEGER NOT NULL REFERENCES notices (key) ON DELETE CASCADE, target TEXT NOT NULL,
  tries INTEGER NOT NULL DEFAULT 0, had INTEGER NOT NULL DEFAULT 0,
  PRIMARY KEY (notice, target)) WITHOUT ROWID;
CREATE INDEX turns_of ON turns (target, had);
CREATE TABLE sent (target TEXT NOT NULL, at REAL NOT NULL);
CREATE TABLE seen (key INTEGER PRIMARY KEY AUTOINCREMENT, identity TEXT NOT NULL UNIQUE);
CREATE TABLE numbers (number INTEGER PRIMARY KEY, alarm TEXT NOT NULL, key INTEGER NOT NULL);
CREATE INDEX numbers_of ON numbers (alarm);
CREATE TABLE kept (name TEXT PRIMARY KEY, value TEXT NOT NULL) WITHOUT ROWID;
"""
