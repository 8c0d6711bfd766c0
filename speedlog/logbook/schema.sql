-- The logbook, version 1. Facts (what was logged, read out, noted) are kept for good: no row of theirs can be
-- deleted, and a changed value leaves its old one, the moment and the reason in `amendment`, by trigger.
-- Results can be made again from the facts. Times are ISO 8601 in UTC with Z; figures as written stay text.

CREATE TABLE logbook (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    uid TEXT NOT NULL,                      -- of this file; a copy keeps it
    made_at TEXT NOT NULL,
    made_by TEXT NOT NULL                   -- program and version
) STRICT;

-- The bytes of files, each once. A file that begins with the bytes of another holds both.
CREATE TABLE content (
    id INTEGER PRIMARY KEY,
    sha256 TEXT NOT NULL UNIQUE CHECK (length(sha256) = 64),
    size INTEGER NOT NULL CHECK (size >= 0),
    packing TEXT CHECK (packing IN ('zlib', 'lzma')),
    packed BLOB,
    begins INTEGER REFERENCES content (id), -- these bytes are the first `size` of that content
    head TEXT,                              -- SHA-256 of the first 1024 bytes; NULL where there are fewer
    CHECK ((packed IS NULL) <> (begins IS NULL)),
    CHECK ((packed IS NULL) = (packing IS NULL))
) STRICT;
CREATE INDEX content_head ON content (head, size);   -- finds the files that go on where this one ends
CREATE INDEX content_size ON content (size, sha256); -- finds the kept beginnings of a file without reading their bytes

CREATE TABLE recording (
    id INTEGER PRIMARY KEY,
    uid TEXT NOT NULL UNIQUE,
    content_id INTEGER NOT NULL UNIQUE REFERENCES content (id),
    name TEXT NOT NULL,                     -- of the file, without folders
    columns_id INTEGER REFERENCES content (id), -- mapping of delimited text, a map.toml
    format TEXT NOT NULL,
    clock TEXT NOT NULL CHECK (clock IN ('utc', 'time_of_day', 'elapsed')),
    start_time TEXT,                        -- on the recording's own clock
    end_time TEXT,
    added_at TEXT NOT NULL,
    superseded_by INTEGER REFERENCES recording (id) -- a longer file of the same logger that holds this one
) STRICT;
CREATE INDEX recording_time ON recording (start_time, end_time);

CREATE TABLE course (
    id INTEGER PRIMARY KEY,
    uid TEXT NOT NULL UNIQUE,
    name TEXT NOT NULL,                     -- the venue
    content_id INTEGER NOT NULL UNIQUE REFERENCES content (id) -- its course.toml
) STRICT;

CREATE TABLE session (
    id INTEGER PRIMARY KEY,
    uid TEXT NOT NULL UNIQUE,
    name TEXT NOT NULL,
    date TEXT,                              -- at the venue, YYYY-MM-DD
    course_id INTEGER REFERENCES course (id),
    car TEXT NOT NULL DEFAULT '',
    weather TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(weather)),
    added_at TEXT NOT NULL,
    UNIQUE (name, date)
) STRICT;

CREATE TABLE pass (
    id INTEGER PRIMARY KEY,                 -- the number by which a driver names it
    uid TEXT NOT NULL UNIQUE,
    session_id INTEGER NOT NULL REFERENCES session (id),
    number INTEGER NOT NULL CHECK (number >= 1),
    start_utc TEXT,                         -- of the drive; NULL where nothing was logged
    end_utc TEXT,
    trap_text TEXT,                         -- the timekeeper's figure as written
    trap_entered_at TEXT,                   -- without a figure: when it was said that none was read out
    weather TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(weather)), -- what differs from the session's
    setup TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(setup)),     -- the whole of it, as run
    stated TEXT NOT NULL DEFAULT '[]' CHECK (json_valid(stated)),   -- keys of it that were typed for this pass
    note TEXT NOT NULL DEFAULT '',
    added_at TEXT NOT NULL,
    set_aside_at TEXT,                      -- no pass of the season after all: kept, and left out everywhere
    UNIQUE (session_id, number)
) STRICT;
CREATE INDEX pass_time ON pass (start_utc);

CREATE TABLE pass_recording (
    pass_id INTEGER NOT NULL REFERENCES pass (id),
    recording_id INTEGER NOT NULL REFERENCES recording (id),
    parted_at TEXT,                         -- joined by mistake
    PRIMARY KEY (pass_id, recording_id)
) STRICT, WITHOUT ROWID;
CREATE INDEX pass_of_recording ON pass_recording (recording_id);

CREATE TABLE measured (                     -- by hand
    pass_id INTEGER NOT NULL REFERENCES pass (id),
    key TEXT NOT NULL,
    text TEXT NOT NULL,                     -- '' where it was taken out again
    entered_at TEXT NOT NULL,
    PRIMARY KEY (pass_id, key)
) STRICT, WITHOUT ROWID;

-- What the review made of a pass: one row a pass, made again by `refresh`.
CREATE TABLE result (
    pass_id INTEGER PRIMARY KEY REFERENCES pass (id),
    made_at TEXT NOT NULL,
    program TEXT NOT NULL,                  -- version
    environment TEXT NOT NULL CHECK (json_valid(environment)),
    inputs_sha256 TEXT NOT NULL,            -- of everything that went in, so that a stale result is known
    error TEXT,                             -- the one line, where there is no review
    review BLOB,                            -- zlib of the JSON of `review --json`, this pass alone
    heading_deg REAL,
    outbound INTEGER CHECK (outbound IN (0, 1)),
    entry_utc TEXT,
    official_mps REAL, official_low_mps REAL, official_high_mps REAL,
    trap_length_m REAL,
    estimate_mps REAL, estimate_low_mps REAL, estimate_high_mps REAL,
    peak_mps REAL, peak_low_mps REAL, peak_high_mps REAL,
    trap_accel_mps2 REAL,
    coverage REAL,
    verdict TEXT,
    independent INTEGER CHECK (independent IN (0, 1)), -- 0: this pass helped to find the trap's place
    CHECK ((review IS NULL) <> (error IS NULL))
) STRICT;

CREATE TABLE target (
    id INTEGER PRIMARY KEY,
    uid TEXT NOT NULL UNIQUE,
    ladder TEXT NOT NULL CHECK (ladder IN ('trap', 'gnss', 'two_way')),
    speed_text TEXT NOT NULL,
    car TEXT,                               -- NULL: any
    venue TEXT,
    set_at TEXT NOT NULL,
    dropped_at TEXT
) STRICT;

CREATE TABLE rule (                         -- of a two-way mean, the user's own
    id INTEGER PRIMARY KEY,
    uid TEXT NOT NULL UNIQUE,
    name TEXT NOT NULL UNIQUE,
    window_s REAL NOT NULL CHECK (window_s > 0),
    mean TEXT NOT NULL CHECK (mean IN ('times', 'speeds')),
    least_gain REAL NOT NULL DEFAULT 0 CHECK (least_gain >= 0), -- share by which a new best must beat the last
    set_at TEXT NOT NULL,
    dropped_at TEXT
) STRICT;

CREATE TABLE amendment (
    id INTEGER PRIMARY KEY,
    uid TEXT NOT NULL UNIQUE DEFAULT (lower(hex(randomblob(16)))),
    what TEXT NOT NULL,                     -- table
    whose TEXT NOT NULL,                    -- uid of the row
    field TEXT NOT NULL,
    old TEXT,
    new TEXT,
    at TEXT NOT NULL,
    reason TEXT NOT NULL
) STRICT;
CREATE INDEX amendment_of ON amendment (whose, field);

-- Why the facts are being changed: one row while a transaction writes, none at any other time.
CREATE TABLE reason (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    text TEXT NOT NULL CHECK (text <> ''),
    at TEXT NOT NULL
) STRICT;

-- Triggers. A fact can't be deleted; what names it never changes; any other change needs a reason and is noted.

CREATE TRIGGER recording_changed BEFORE UPDATE ON recording BEGIN
    SELECT RAISE(ABORT, 'a change needs a reason') WHERE NOT EXISTS (SELECT 1 FROM reason);
    SELECT RAISE(ABORT, 'id, uid, content_id, added_at of a recording never change')
        WHERE OLD.id IS NOT NEW.id OR OLD.uid IS NOT NEW.uid OR OLD.content_id IS NOT NEW.content_id OR OLD.added_at IS NOT NEW.added_at;
    INSERT INTO amendment (what, whose, field, old, new, at, reason)
    SELECT 'recording', OLD.uid, field, was, becomes, at, text FROM reason, (
        SELECT 'name' AS field, OLD.name AS was, NEW.name AS becomes
        UNION ALL SELECT 'columns_id', OLD.columns_id, NEW.columns_id
        UNION ALL SELECT 'format', OLD.format, NEW.format
        UNION ALL SELECT 'clock', OLD.clock, NEW.clock
        UNION ALL SELECT 'start_time', OLD.start_time, NEW.start_time
        UNION ALL SELECT 'end_time', OLD.end_time, NEW.end_time
        UNION ALL SELECT 'superseded_by', OLD.superseded_by, NEW.superseded_by
    ) WHERE was IS NOT becomes;
END;

CREATE TRIGGER course_changed BEFORE UPDATE ON course BEGIN
    SELECT RAISE(ABORT, 'a change needs a reason') WHERE NOT EXISTS (SELECT 1 FROM reason);
    SELECT RAISE(ABORT, 'id, uid of a course never change')
        WHERE OLD.id IS NOT NEW.id OR OLD.uid IS NOT NEW.uid;
    INSERT INTO amendment (what, whose, field, old, new, at, reason)
    SELECT 'course', OLD.uid, field, was, becomes, at, text FROM reason, (
        SELECT 'name' AS field, OLD.name AS was, NEW.name AS becomes
        UNION ALL SELECT 'content_id', OLD.content_id, NEW.content_id
    ) WHERE was IS NOT becomes;
END;

CREATE TRIGGER session_changed BEFORE UPDATE ON session BEGIN
    SELECT RAISE(ABORT, 'a change needs a reason') WHERE NOT EXISTS (SELECT 1 FROM reason);
    SELECT RAISE(ABORT, 'id, uid, added_at of a session never change')
        WHERE OLD.id IS NOT NEW.id OR OLD.uid IS NOT NEW.uid OR OLD.added_at IS NOT NEW.added_at;
    INSERT INTO amendment (what, whose, field, old, new, at, reason)
    SELECT 'session', OLD.uid, field, was, becomes, at, text FROM reason, (
        SELECT 'name' AS field, OLD.name AS was, NEW.name AS becomes
        UNION ALL SELECT 'date', OLD.date, NEW.date
        UNION ALL SELECT 'course_id', OLD.course_id, NEW.course_id
        UNION ALL SELECT 'car', OLD.car, NEW.car
        UNION ALL SELECT 'weather', OLD.weather, NEW.weather
    ) WHERE was IS NOT becomes;
END;

CREATE TRIGGER pass_changed BEFORE UPDATE ON pass BEGIN
    SELECT RAISE(ABORT, 'a change needs a reason') WHERE NOT EXISTS (SELECT 1 FROM reason);
    SELECT RAISE(ABORT, 'id, uid, added_at of a pass never change')
        WHERE OLD.id IS NOT NEW.id OR OLD.uid IS NOT NEW.uid OR OLD.added_at IS NOT NEW.added_at;
    INSERT INTO amendment (what, whose, field, old, new, at, reason)
    SELECT 'pass', OLD.uid, field, was, becomes, at, text FROM reason, (
        SELECT 'session_id' AS field, OLD.session_id AS was, NEW.session_id AS becomes
        UNION ALL SELECT 'number', OLD.number, NEW.number
        UNION ALL SELECT 'start_utc', OLD.start_utc, NEW.start_utc
        UNION ALL SELECT 'end_utc', OLD.end_utc, NEW.end_utc
        UNION ALL SELECT 'trap_text', OLD.trap_text, NEW.trap_text
        UNION ALL SELECT 'trap_entered_at', OLD.trap_entered_at, NEW.trap_entered_at
        UNION ALL SELECT 'weather', OLD.weather, NEW.weather
        UNION ALL SELECT 'setup', OLD.setup, NEW.setup
        UNION ALL SELECT 'stated', OLD.stated, NEW.stated
        UNION ALL SELECT 'note', OLD.note, NEW.note
        UNION ALL SELECT 'set_aside_at', OLD.set_aside_at, NEW.set_aside_at
    ) WHERE was IS NOT becomes;
END;

CREATE TRIGGER target_changed BEFORE UPDATE ON target BEGIN
    SELECT RAISE(ABORT, 'a change needs a reason') WHERE NOT EXISTS (SELECT 1 FROM reason);
    SELECT RAISE(ABORT, 'id, uid, set_at of a target never change')
        WHERE OLD.id IS NOT NEW.id OR OLD.uid IS NOT NEW.uid OR OLD.set_at IS NOT NEW.set_at;
    INSERT INTO amendment (what, whose, field, old, new, at, reason)
    SELECT 'target', OLD.uid, field, was, becomes, at, text FROM reason, (
        SELECT 'ladder' AS field, OLD.ladder AS was, NEW.ladder AS becomes
        UNION ALL SELECT 'speed_text', OLD.speed_text, NEW.speed_text
        UNION ALL SELECT 'car', OLD.car, NEW.car
        UNION ALL SELECT 'venue', OLD.venue, NEW.venue
        UNION ALL SELECT 'dropped_at', OLD.dropped_at, NEW.dropped_at
    ) WHERE was IS NOT becomes;
END;

CREATE TRIGGER rule_changed BEFORE UPDATE ON rule BEGIN
    SELECT RAISE(ABORT, 'a change needs a reason') WHERE NOT EXISTS (SELECT 1 FROM reason);
    SELECT RAISE(ABORT, 'id, uid, set_at of a rule never change')
        WHERE OLD.id IS NOT NEW.id OR OLD.uid IS NOT NEW.uid OR OLD.set_at IS NOT NEW.set_at;
    INSERT INTO amendment (what, whose, field, old, new, at, reason)
    SELECT 'rule', OLD.uid, field, was, becomes, at, text FROM reason, (
        SELECT 'name' AS field, OLD.name AS was, NEW.name AS becomes
        UNION ALL SELECT 'window_s', OLD.window_s, NEW.window_s
        UNION ALL SELECT 'mean', OLD.mean, NEW.mean
        UNION ALL SELECT 'least_gain', OLD.least_gain, NEW.least_gain
        UNION ALL SELECT 'dropped_at', OLD.dropped_at, NEW.dropped_at
    ) WHERE was IS NOT becomes;
END;

CREATE TRIGGER measured_changed BEFORE UPDATE ON measured BEGIN
    SELECT RAISE(ABORT, 'a change needs a reason') WHERE NOT EXISTS (SELECT 1 FROM reason);
    SELECT RAISE(ABORT, 'pass and key of what was measured never change')
        WHERE OLD.pass_id IS NOT NEW.pass_id OR OLD.key IS NOT NEW.key;
    INSERT INTO amendment (what, whose, field, old, new, at, reason)
    SELECT 'measured', pass.uid, field, was, becomes, at, reason.text FROM reason, pass, (
        SELECT OLD.key AS field, OLD.text AS was, NEW.text AS becomes
        UNION ALL SELECT OLD.key || '.entered_at', OLD.entered_at, NEW.entered_at
    ) WHERE pass.id = OLD.pass_id AND was IS NOT becomes;
END;

CREATE TRIGGER pass_recording_changed BEFORE UPDATE ON pass_recording BEGIN
    SELECT RAISE(ABORT, 'a change needs a reason') WHERE NOT EXISTS (SELECT 1 FROM reason);
    SELECT RAISE(ABORT, 'pass and recording that belong together never change')
        WHERE OLD.pass_id IS NOT NEW.pass_id OR OLD.recording_id IS NOT NEW.recording_id;
    INSERT INTO amendment (what, whose, field, old, new, at, reason)
    SELECT 'pass_recording', pass.uid, recording.uid, OLD.parted_at, NEW.parted_at, at, reason.text
    FROM reason, pass, recording
    WHERE pass.id = OLD.pass_id AND recording.id = OLD.recording_id AND OLD.parted_at IS NOT NEW.parted_at;
END;

-- Bytes may be packed anew; what they are may not change.
CREATE TRIGGER content_changed BEFORE UPDATE OF id, sha256, size ON content BEGIN
    SELECT RAISE(ABORT, 'kept bytes never change');
END;
CREATE TRIGGER amendment_changed BEFORE UPDATE ON amendment BEGIN
    SELECT RAISE(ABORT, 'what was amended stays told');
END;
CREATE TRIGGER logbook_changed BEFORE UPDATE ON logbook BEGIN
    SELECT RAISE(ABORT, 'the logbook keeps its name');
END;

CREATE TRIGGER recording_kept BEFORE DELETE ON recording BEGIN
    SELECT RAISE(ABORT, 'facts are kept for good');
END;
CREATE TRIGGER course_kept BEFORE DELETE ON course BEGIN
    SELECT RAISE(ABORT, 'facts are kept for good');
END;
CREATE TRIGGER session_kept BEFORE DELETE ON session BEGIN
    SELECT RAISE(ABORT, 'facts are kept for good');
END;
CREATE TRIGGER pass_kept BEFORE DELETE ON pass BEGIN
    SELECT RAISE(ABORT, 'facts are kept for good');
END;
CREATE TRIGGER target_kept BEFORE DELETE ON target BEGIN
    SELECT RAISE(ABORT, 'facts are kept for good');
END;
CREATE TRIGGER rule_kept BEFORE DELETE ON rule BEGIN
    SELECT RAISE(ABORT, 'facts are kept for good');
END;
CREATE TRIGGER measured_kept BEFORE DELETE ON measured BEGIN
    SELECT RAISE(ABORT, 'facts are kept for good');
END;
CREATE TRIGGER pass_recording_kept BEFORE DELETE ON pass_recording BEGIN
    SELECT RAISE(ABORT, 'facts are kept for good');
END;
CREATE TRIGGER content_kept BEFORE DELETE ON content BEGIN
    SELECT RAISE(ABORT, 'facts are kept for good');
END;
CREATE TRIGGER amendment_kept BEFORE DELETE ON amendment BEGIN
    SELECT RAISE(ABORT, 'facts are kept for good');
END;
CREATE TRIGGER logbook_kept BEFORE DELETE ON logbook BEGIN
    SELECT RAISE(ABORT, 'facts are kept for good');
END;
