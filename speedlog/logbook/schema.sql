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
    CHECK ((packed IS NULL) <> (begins IS NULL)),
    CHECK ((packed IS NULL) = (packing IS NULL))
) STRICT;

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
    trap_entered_at TEXT,
    weather TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(weather)), -- what differs from the session's
    setup TEXT NOT NULL DEFAULT '{}' CHECK (json_valid(setup)),     -- the whole of it, as run
    stated TEXT NOT NULL DEFAULT '[]' CHECK (json_valid(stated)),   -- keys of it that were typed for this pass
    note TEXT NOT NULL DEFAULT '',
    added_at TEXT NOT NULL,
    UNIQUE (session_id, number)
) STRICT;
CREATE INDEX pass_time ON pass (start_utc);

CREATE TABLE pass_recording (
    pass_id INTEGER NOT NULL REFERENCES pass (id),
    recording_id INTEGER NOT NULL REFERENCES recording (id),
    PRIMARY KEY (pass_id, recording_id)
) STRICT, WITHOUT ROWID;
CREATE INDEX pass_of_recording ON pass_recording (recording_id);

CREATE TABLE measured (                     -- by hand
    pass_id INTEGER NOT NULL REFERENCES pass (id),
    key TEXT NOT NULL,
    text TEXT NOT NULL,
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
