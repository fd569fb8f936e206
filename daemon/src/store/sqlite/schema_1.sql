-- Times are milliseconds since 1970, UTC. Values are in the quantity's unit (Cel, %RH, m, %EL).

-- Names of places, batches, units and reasons, each once.
CREATE TABLE name (
    id INTEGER PRIMARY KEY,
    text TEXT NOT NULL UNIQUE
);

-- One sensor's quantity, with what would else need a walk through its readings.
CREATE TABLE series (
    id INTEGER PRIMARY KEY,
    sensor TEXT NOT NULL,
    quantity TEXT NOT NULL,
    count INTEGER NOT NULL DEFAULT 0,
    kept_out INTEGER NOT NULL DEFAULT 0,
    -- Minute and hour summaries exist for all readings before this moment.
    summed_to INTEGER NOT NULL DEFAULT -9223372036854775808,
    UNIQUE (sensor, quantity)
);

CREATE TABLE reading (
    series INTEGER NOT NULL REFERENCES series (id),
    time INTEGER NOT NULL,
    -- NULL: not a number.
    value REAL,
    -- Time of arrival less `time`.
    late INTEGER NOT NULL,
    -- 0: believed; 1 to 7: a reason of ours; from 16 on: 16 + the reason's name.
    kept_out INTEGER NOT NULL,
    place INTEGER REFERENCES name (id),
    batch INTEGER REFERENCES name (id),
    -- As it came, where that differs; NULL with a unit: not a number.
    raw REAL,
    raw_unit INTEGER REFERENCES name (id),
    PRIMARY KEY (series, time)
) WITHOUT ROWID;

-- Believed readings in one row a minute (width 60) or hour (width 3600); kept on when readings are
-- thinned.
CREATE TABLE summary (
    series INTEGER NOT NULL REFERENCES series (id),
    width INTEGER NOT NULL,
    time INTEGER NOT NULL,
    count INTEGER NOT NULL,
    min REAL NOT NULL,
    mean REAL NOT NULL,
    max REAL NOT NULL,
    PRIMARY KEY (series, width, time)
) WITHOUT ROWID;

-- The newest packet of each identifier whose readings have no time of their own.
CREATE TABLE packet (
    session TEXT NOT NULL,
    id INTEGER NOT NULL,
    digest INTEGER NOT NULL,
    PRIMARY KEY (session, id)
) WITHOUT ROWID;

-- The log book without readings: one JSON document a record, under the import key.
CREATE TABLE record (
    kind TEXT NOT NULL,
    key TEXT NOT NULL,
    doc TEXT NOT NULL,
    PRIMARY KEY (kind, key)
) WITHOUT ROWID;

CREATE TABLE change (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    at INTEGER NOT NULL,
    part_of INTEGER NOT NULL,
    kind TEXT NOT NULL,
    key TEXT NOT NULL,
    before TEXT,
    after TEXT
);
CREATE INDEX change_by_group ON change (part_of);
CREATE INDEX change_by_key ON change (kind, key);

-- One row: moves on with changes to book, settings and calibrations.
CREATE TABLE revision (number INTEGER NOT NULL);
INSERT INTO revision VALUES (0);

CREATE TABLE alert (
    id TEXT PRIMARY KEY,
    cause TEXT NOT NULL UNIQUE,
    raised INTEGER NOT NULL,
    seen INTEGER,
    cleared INTEGER,
    quiet_until INTEGER,
    told INTEGER,
    doc TEXT NOT NULL,
    memory TEXT NOT NULL
) WITHOUT ROWID;
CREATE INDEX alert_by_time ON alert (raised);
CREATE INDEX alert_open ON alert (raised) WHERE cleared IS NULL;

CREATE TABLE outbox (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    channel TEXT NOT NULL,
    alert TEXT NOT NULL,
    doc TEXT NOT NULL,
    queued INTEGER NOT NULL,
    expires INTEGER NOT NULL,
    next_try INTEGER NOT NULL,
    tries INTEGER NOT NULL,
    accepted INTEGER,
    failed INTEGER,
    last_error TEXT
);
CREATE INDEX outbox_waiting ON outbox (channel, seq) WHERE accepted IS NULL AND failed IS NULL;

CREATE TABLE calibration (
    version INTEGER PRIMARY KEY AUTOINCREMENT,
    at INTEGER NOT NULL,
    stages INTEGER NOT NULL,
    doc TEXT NOT NULL,
    in_force INTEGER NOT NULL DEFAULT 0
);

CREATE TABLE setting (
    name TEXT PRIMARY KEY,
    value TEXT NOT NULL
) WITHOUT ROWID;

CREATE TABLE probe (
    id INTEGER PRIMARY KEY,
    tries INTEGER NOT NULL
);
