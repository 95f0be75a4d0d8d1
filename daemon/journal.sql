-- The shoot's journal. Append-only: nothing here is ever changed or removed (triggers see to it), so that what
-- was said of a frame at the time can be read next week. Where several rows speak of one thing, the last counts.
-- Times are UTC, ISO 8601. Paths are bytes below the shoot's folder, as the file system gave them.

CREATE TABLE shoot (
    only    INTEGER PRIMARY KEY CHECK (only = 1),
    begun   TEXT NOT NULL
);

CREATE TABLE setup (
    number  INTEGER PRIMARY KEY,
    name    TEXT,
    begun   TEXT NOT NULL
);

-- One picture, whatever became of its file. The same path with other content is another frame.
CREATE TABLE frame (
    id      INTEGER PRIMARY KEY,            -- the order in which they were read
    path    BLOB NOT NULL,
    digest  TEXT NOT NULL,                  -- of the file's content
    setup   INTEGER NOT NULL REFERENCES setup (number),
    number  INTEGER NOT NULL,               -- within its setup, from 1
    read_at TEXT NOT NULL,
    UNIQUE (path, digest),
    UNIQUE (setup, number)
);
CREATE INDEX frame_digest ON frame (digest);

-- What was said of a frame; more than once when the aim changed, or its raw file came, after it was read.
CREATE TABLE verdict (
    id      INTEGER PRIMARY KEY,
    frame   INTEGER NOT NULL REFERENCES frame (id),
    said_at TEXT NOT NULL,
    verdict TEXT NOT NULL,                  -- JSON, as on the socket
    preview TEXT                            -- likewise; null: as before
);
CREATE INDEX verdict_frame ON verdict (frame);

-- Every file that was dealt with, and how it looked then: what a new start skips.
CREATE TABLE sighting (
    id       INTEGER PRIMARY KEY,
    path     BLOB NOT NULL,
    size     INTEGER NOT NULL,
    mtime_ns INTEGER NOT NULL,
    inode    INTEGER NOT NULL,              -- unsigned 64 bits, kept as signed
    outcome  TEXT NOT NULL CHECK (outcome IN ('frame', 'partner', 'duplicate', 'refused')),
    frame    INTEGER REFERENCES frame (id), -- null when refused
    error    TEXT,                          -- one line, when refused
    seen_at  TEXT NOT NULL
);
CREATE INDEX sighting_path ON sighting (path);

CREATE TABLE event (
    id   INTEGER PRIMARY KEY,
    at   TEXT NOT NULL,
    kind TEXT NOT NULL,
    text TEXT NOT NULL
);

CREATE TRIGGER shoot_stays    BEFORE UPDATE ON shoot    BEGIN SELECT RAISE (ABORT, 'append only'); END;
CREATE TRIGGER shoot_kept     BEFORE DELETE ON shoot    BEGIN SELECT RAISE (ABORT, 'append only'); END;
CREATE TRIGGER setup_stays    BEFORE UPDATE ON setup    BEGIN SELECT RAISE (ABORT, 'append only'); END;
CREATE TRIGGER setup_kept     BEFORE DELETE ON setup    BEGIN SELECT RAISE (ABORT, 'append only'); END;
CREATE TRIGGER frame_stays    BEFORE UPDATE ON frame    BEGIN SELECT RAISE (ABORT, 'append only'); END;
CREATE TRIGGER frame_kept     BEFORE DELETE ON frame    BEGIN SELECT RAISE (ABORT, 'append only'); END;
CREATE TRIGGER verdict_stays  BEFORE UPDATE ON verdict  BEGIN SELECT RAISE (ABORT, 'append only'); END;
CREATE TRIGGER verdict_kept   BEFORE DELETE ON verdict  BEGIN SELECT RAISE (ABORT, 'append only'); END;
CREATE TRIGGER sighting_stays BEFORE UPDATE ON sighting BEGIN SELECT RAISE (ABORT, 'append only'); END;
CREATE TRIGGER sighting_kept  BEFORE DELETE ON sighting BEGIN SELECT RAISE (ABORT, 'append only'); END;
CREATE TRIGGER event_stays    BEFORE UPDATE ON event    BEGIN SELECT RAISE (ABORT, 'append only'); END;
CREATE TRIGGER event_kept     BEFORE DELETE ON event    BEGIN SELECT RAISE (ABORT, 'append only'); END;
