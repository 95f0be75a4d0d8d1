-- Version 2: corrections, and frames measured again.

-- A pass over frames that were there already: measured again, all by the same.
CREATE TABLE pass (
    id    INTEGER PRIMARY KEY,
    begun TEXT NOT NULL,
    by    TEXT NOT NULL                     -- JSON: of which setups, by what thresholds and wishes
);

-- A pass that came to its end. One that didn't can be taken up: its verdicts say which frames it has done.
CREATE TABLE pass_end (
    pass INTEGER PRIMARY KEY REFERENCES pass (id),
    at   TEXT NOT NULL
);

ALTER TABLE verdict ADD COLUMN pass INTEGER REFERENCES pass (id);   -- null: as the frame came, or its setup changed

-- A frame belongs to another setup than it was taken for.
CREATE TABLE move (
    id       INTEGER PRIMARY KEY,
    frame    INTEGER NOT NULL REFERENCES frame (id),
    setup    INTEGER NOT NULL REFERENCES setup (number),
    moved_at TEXT NOT NULL
);
CREATE INDEX move_frame ON move (frame);
CREATE INDEX move_setup ON move (setup);

-- The setup that this one was split off from, and which went on; null: it was begun when its time had come.
ALTER TABLE setup ADD COLUMN split_from INTEGER REFERENCES setup (number);

CREATE INDEX verdict_pass ON verdict (pass) WHERE pass IS NOT NULL;
CREATE INDEX sighting_partner ON sighting (frame) WHERE outcome = 'partner';

CREATE TRIGGER pass_stays     BEFORE UPDATE ON pass     BEGIN SELECT RAISE (ABORT, 'append only'); END;
CREATE TRIGGER pass_kept      BEFORE DELETE ON pass     BEGIN SELECT RAISE (ABORT, 'append only'); END;
CREATE TRIGGER pass_end_stays BEFORE UPDATE ON pass_end BEGIN SELECT RAISE (ABORT, 'append only'); END;
CREATE TRIGGER pass_end_kept  BEFORE DELETE ON pass_end BEGIN SELECT RAISE (ABORT, 'append only'); END;
CREATE TRIGGER move_stays     BEFORE UPDATE ON move     BEGIN SELECT RAISE (ABORT, 'append only'); END;
CREATE TRIGGER move_kept      BEFORE DELETE ON move     BEGIN SELECT RAISE (ABORT, 'append only'); END;
