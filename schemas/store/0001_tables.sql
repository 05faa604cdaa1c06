-- The index: everything here is derived from results/, rides/, set_aside/ and the inbox.
-- Instants are UTC without a zone. Lists keep the order of the report.

CREATE TABLE stamps (
    name VARCHAR PRIMARY KEY,
    value VARCHAR NOT NULL
);

-- What the inbox held when it was last looked at: one row a log (a member of an archive).
CREATE TABLE logs (
    file VARCHAR NOT NULL,
    log VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    size BIGINT NOT NULL,
    mtime_ns BIGINT NOT NULL,
    inode UBIGINT NOT NULL,
    state VARCHAR NOT NULL,          -- kept | set_aside
    tried_with VARCHAR NOT NULL,     -- the fleet files and version it was last tried with
    PRIMARY KEY (file, log)
);

CREATE TABLE set_aside (
    log VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    what VARCHAR NOT NULL,
    "where" VARCHAR NOT NULL,
    value VARCHAR NOT NULL,
    what_to_do VARCHAR NOT NULL
);

CREATE TABLE parts (
    bike VARCHAR NOT NULL,           -- folder under rides/
    stem VARCHAR NOT NULL,
    ride VARCHAR,                    -- NULL: its rows are all in other parts, or it was dropped
    log VARCHAR NOT NULL,
    sha256 VARCHAR NOT NULL,
    layout VARCHAR NOT NULL,
    read_key VARCHAR NOT NULL,
    start TIMESTAMP NOT NULL,
    "end" TIMESTAMP NOT NULL,
    dating VARCHAR NOT NULL,
    "rows" BIGINT NOT NULL,
    thinned BOOLEAN NOT NULL,
    PRIMARY KEY (bike, stem)
);

CREATE TABLE rides (
    bike VARCHAR NOT NULL,
    ride VARCHAR NOT NULL,
    start TIMESTAMP,                 -- NULL: date unknown
    "end" TIMESTAMP,
    dating VARCHAR NOT NULL,
    start_from VARCHAR NOT NULL,
    model VARCHAR NOT NULL,
    fits_model BOOLEAN NOT NULL,
    duration_s DOUBLE NOT NULL,
    samples BIGINT NOT NULL,
    distance_km DOUBLE NOT NULL,
    engaged_s DOUBLE NOT NULL,
    engaged_km DOUBLE NOT NULL,
    engagements BIGINT NOT NULL,
    layouts VARCHAR[] NOT NULL,
    aliases VARCHAR[] NOT NULL,
    version VARCHAR NOT NULL,
    judge_key VARCHAR NOT NULL,
    PRIMARY KEY (bike, ride)
);

CREATE TABLE exposures (
    bike VARCHAR NOT NULL,
    ride VARCHAR NOT NULL,
    rule VARCHAR NOT NULL,
    state VARCHAR NOT NULL,          -- ok | fault | not_assessed | error
    reason VARCHAR NOT NULL,
    exposure_s DOUBLE NOT NULL,
    events BIGINT NOT NULL,
    findings BIGINT NOT NULL,
    PRIMARY KEY (bike, ride, rule)
);

CREATE TABLE limits (
    bike VARCHAR NOT NULL,
    ride VARCHAR NOT NULL,
    rule VARCHAR NOT NULL,
    name VARCHAR NOT NULL,
    value DOUBLE NOT NULL,
    unit VARCHAR NOT NULL,
    origin VARCHAR NOT NULL          -- rule | fleet | model | bike
);

CREATE TABLE findings (
    bike VARCHAR NOT NULL,
    ride VARCHAR NOT NULL,
    id VARCHAR NOT NULL,
    rule VARCHAR NOT NULL,
    severity VARCHAR NOT NULL,
    open BOOLEAN NOT NULL,
    start TIMESTAMP,
    "end" TIMESTAMP,
    start_s DOUBLE NOT NULL,
    end_s DOUBLE NOT NULL,
    message VARCHAR NOT NULL,
    measured DOUBLE,
    "limit" DOUBLE,
    unit VARCHAR NOT NULL,
    channels VARCHAR[] NOT NULL,
    doubt VARCHAR NOT NULL,
    carried_from VARCHAR NOT NULL,
    PRIMARY KEY (bike, ride, id)     -- logs that overlap may show the same finding
);

CREATE TABLE cancels (
    bike VARCHAR NOT NULL,
    ride VARCHAR NOT NULL,
    t_s DOUBLE NOT NULL,
    time TIMESTAMP,
    file_time VARCHAR NOT NULL,
    "row" BIGINT NOT NULL,
    speed_kmh DOUBLE,
    cause VARCHAR NOT NULL,
    commanded BOOLEAN,               -- NULL: undetermined
    gear BIGINT,
    pulse_s DOUBLE,
    first_mover VARCHAR,
    resolution_s DOUBLE,
    not_logged VARCHAR[] NOT NULL,
    inferred BOOLEAN NOT NULL,
    wanted_back BOOLEAN NOT NULL
);

CREATE TABLE measures (
    bike VARCHAR NOT NULL,
    ride VARCHAR NOT NULL,
    name VARCHAR NOT NULL,
    value DOUBLE NOT NULL
);

CREATE TABLE verdicts (
    bike VARCHAR PRIMARY KEY,
    label VARCHAR NOT NULL,
    model VARCHAR NOT NULL,
    verdict VARCHAR NOT NULL,
    previous_verdict VARCHAR,
    because VARCHAR[] NOT NULL,
    not_covered VARCHAR[] NOT NULL,
    last_data TIMESTAMP,
    stamp VARCHAR NOT NULL,          -- of everything it was worked out from, but as_of
    valid_from TIMESTAMP,            -- it stands for any as_of from here ...
    valid_until TIMESTAMP,           -- ... and before here
    report VARCHAR NOT NULL          -- the bike's report as JSON, so that it need not be made again
);
