BEGIN TRANSACTION;
CREATE TABLE "_sqlite_migrations" (
   "id" INTEGER PRIMARY KEY,
   "migration_set" TEXT,
   "name" TEXT,
   "applied_at" TEXT
);
INSERT INTO "_sqlite_migrations" VALUES(1,'warmfoot','1','2026-11-25 10:16:11.806976+00:00');
CREATE TABLE act (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        at_ms INTEGER NOT NULL,
        kind TEXT NOT NULL,
        place TEXT NOT NULL,
        by TEXT NOT NULL,
        alarm TEXT NOT NULL,
        span_ms INTEGER NOT NULL CHECK (span_ms >= 0),
        value TEXT NOT NULL,
        note TEXT NOT NULL,
        status TEXT NOT NULL CHECK (status IN ('asked', 'done', 'refused')),
        answer TEXT,
        answered_ms INTEGER,
        run INTEGER REFERENCES run(id),
        CHECK ((status = 'asked') = (answered_ms IS NULL))
    ) STRICT;
CREATE TABLE alarm_change (
        id INTEGER PRIMARY KEY,
        at_ms INTEGER NOT NULL,
        alarm TEXT NOT NULL,
        place TEXT NOT NULL,
        was TEXT NOT NULL,
        state TEXT NOT NULL,
        priority INTEGER NOT NULL CHECK (priority BETWEEN 1 AND 9),
        text TEXT NOT NULL,
        by TEXT NOT NULL,
        note TEXT NOT NULL,
        run INTEGER NOT NULL REFERENCES run(id)
    ) STRICT;
CREATE TABLE batch (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        plant TEXT NOT NULL,
        kind TEXT NOT NULL,
        bench TEXT NOT NULL,
        bay TEXT NOT NULL,
        trays TEXT NOT NULL,
        count INTEGER NOT NULL CHECK (count > 0),
        stuck_ms INTEGER NOT NULL,
        recipe_json TEXT NOT NULL,
        recipe_hash TEXT NOT NULL CHECK (length(recipe_hash) = 64),
        phase TEXT NOT NULL,
        phase_since_ms INTEGER NOT NULL,
        closed_ms INTEGER,
        details TEXT NOT NULL,
        CHECK (closed_ms IS NULL OR closed_ms >= stuck_ms)
    ) STRICT;
INSERT INTO "batch" VALUES(1,'Buxus sempervirens','semi_ripe','north','left','',120,1772409600000,'{"also":[],"base_target_c":20.0,"difference_c":6.0,"good_high_c":21.0,"good_low_c":18.0,"harmful_high_c":33.0,"harmful_low_c":10.0,"hot_above_c":28.0,"kind":"semi_ripe","leafy":true,"name":"semi_ripe","phases":[{"base_shift_c":0.0,"burst_s":6.0,"dose_growth":1.08,"dose_kpa_min":4.0,"name":"stick","night_mist":true,"survival":true,"usual_days":0.0,"vpd_high_kpa":0.4,"vpd_low_kpa":0.1},{"base_shift_c":0.0,"burst_s":5.0,"dose_growth":1.06,"dose_kpa_min":12.0,"name":"callus","night_mist":false,"survival":true,"usual_days":14.0,"vpd_high_kpa":0.6,"vpd_low_kpa":0.3},{"base_shift_c":-1.0,"burst_s":5.0,"dose_growth":1.04,"dose_kpa_min":27.0,"name":"root","night_mist":false,"survival":true,"usual_days":28.0,"vpd_high_kpa":0.8,"vpd_low_kpa":0.5},{"base_shift_c":-3.0,"burst_s":5.0,"dose_growth":1.05,"dose_kpa_min":80.0,"name":"wean","night_mist":false,"survival":false,"usual_days":56.0,"vpd_high_kpa":1.2,"vpd_low_kpa":0.7},{"base_shift_c":-5.0,"burst_s":5.0,"dose_growth":1.0,"dose_kpa_min":160.0,"name":"wean_late","night_mist":false,"survival":false,"usual_days":70.0,"vpd_high_kpa":1.4,"vpd_low_kpa":0.8}],"plant":null,"slow_below_c":15.0,"sources":{"base_target_c":"from memory: Hartmann, Kester, Davies & Geneve, Plant Propagation, 8th ed.","difference_c":"common practice, no source","good_high_c":"from memory: Hartmann, Kester, Davies & Geneve, Plant Propagation, 8th ed.","good_low_c":"from memory: Hartmann, Kester, Davies & Geneve, Plant Propagation, 8th ed.","harmful_high_c":"from memory: Carpenter, Hansen & Carlson 1973, J. Amer. Soc. Hort. Sci. (geranium and poinsettia)","harmful_low_c":"from memory: Carpenter, Hansen & Carlson 1973, J. Amer. Soc. Hort. Sci. (geranium and poinsettia)","hot_above_c":"common practice, no source","phases.base_shift_c":"common practice, no source","phases.burst_s":"common practice, no source","phases.dose_growth":"common practice, no source","phases.dose_kpa_min":"common practice, no source","phases.usual_days":"common practice, no source","phases.vpd_high_kpa":"common practice, no source","phases.vpd_low_kpa":"common practice, no source","slow_below_c":"common practice, no source","top_day_c":"from memory: Hartmann, Kester, Davies & Geneve, Plant Propagation, 8th ed.","top_hot_c":"common practice, no source","top_night_c":"from memory: Hartmann, Kester, Davies & Geneve, Plant Propagation, 8th ed.","usual_days":"from memory: Hartmann, Kester, Davies & Geneve, Plant Propagation, 8th ed.","usual_strike":"from memory: Hartmann, Kester, Davies & Geneve, Plant Propagation, 8th ed.","warmth_cap_c":"from memory: Hartmann, Kester, Davies & Geneve, Plant Propagation, 8th ed.","warmth_floor_c":"Zalesny, Bauer & Riemenschneider 2004, Silvae Genetica 53:154-160","window":"Evans & Blazich, NC State Extension HIL-8702, Plant propagation by stem cuttings"},"title":"Semi-ripe","top_day_c":[13.0,20.0],"top_hot_c":28.0,"top_night_c":[8.0,13.0],"usual_days":[28.0,90.0],"usual_strike":[0.5,0.9],"warmth_cap_c":25.0,"warmth_floor_c":10.0,"warmth_proven":false,"window":[7,8,9,10]}','92a8c30019d04715f8e7cb831b929f0a81982dc9d53039efa20cb903f9b897ad','stick',1772409600000,NULL,'{"mix": "peat and perlite"}');
CREATE TABLE decision (
        id INTEGER PRIMARY KEY,
        at_ms INTEGER NOT NULL,
        place TEXT NOT NULL,
        code TEXT NOT NULL,
        text TEXT NOT NULL,
        mode TEXT NOT NULL,
        value INTEGER,
        run INTEGER NOT NULL REFERENCES run(id)
    ) STRICT;
CREATE TABLE entry (
        number INTEGER PRIMARY KEY AUTOINCREMENT,
        batch INTEGER NOT NULL REFERENCES batch(number),
        at_ms INTEGER NOT NULL,
        entered_ms INTEGER NOT NULL,
        kind TEXT NOT NULL,
        by TEXT NOT NULL,
        entered TEXT NOT NULL,
        note TEXT NOT NULL,
        corrects INTEGER REFERENCES entry(number)
    ) STRICT;
INSERT INTO "entry" VALUES(1,1,1772409700000,1772410100000,'looked','Ann','{}','turgid',NULL);
CREATE TABLE event (
        id INTEGER PRIMARY KEY,
        at_ms INTEGER NOT NULL,
        kind TEXT NOT NULL,
        place TEXT NOT NULL,
        text TEXT NOT NULL,
        run INTEGER REFERENCES run(id)
    ) STRICT;
INSERT INTO "event" VALUES(1,1772409605000,'reload','site','bench file read',1);
CREATE TABLE hour (
        t INTEGER NOT NULL CHECK (t % 3600 = 0),
        probe INTEGER NOT NULL REFERENCES probe(id),
        mean INTEGER,
        low INTEGER,
        high INTEGER,
        n INTEGER NOT NULL,
        minutes INTEGER NOT NULL CHECK (minutes >= 0),
        flag INTEGER NOT NULL CHECK (flag BETWEEN 0 AND 9),
        CHECK ((n > 0 AND mean IS NOT NULL AND low <= mean AND mean <= high)
            OR (n = 0 AND mean IS NULL AND low IS NULL AND high IS NULL)),
        PRIMARY KEY (t, probe)
    ) STRICT, WITHOUT ROWID;
CREATE TABLE minute (
        t INTEGER NOT NULL,
        probe INTEGER NOT NULL REFERENCES probe(id),
        mean INTEGER,
        low INTEGER,
        high INTEGER,
        n INTEGER NOT NULL,
        flag INTEGER NOT NULL CHECK (flag BETWEEN 0 AND 9),
        run INTEGER NOT NULL REFERENCES run(id),
        CHECK ((n > 0 AND mean IS NOT NULL AND low <= mean AND mean <= high)
            OR (n = 0 AND mean IS NULL AND low IS NULL AND high IS NULL)),
        PRIMARY KEY (t, probe)
    ) STRICT, WITHOUT ROWID;
INSERT INTO "minute" VALUES(1772409600,3,20500,20400,20900,6,1,1);
INSERT INTO "minute" VALUES(1772409660,3,20600,20400,20900,6,1,1);
INSERT INTO "minute" VALUES(1772409720,3,20700,20400,20900,6,1,1);
CREATE TABLE probe (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL,
        kind TEXT NOT NULL,
        unit TEXT NOT NULL,
        UNIQUE (name, kind)
    ) STRICT;
INSERT INTO "probe" VALUES(1,'north.air','air_temperature','degC');
INSERT INTO "probe" VALUES(2,'north.rh','humidity','%');
INSERT INTO "probe" VALUES(3,'north.left.base1','base_temperature','degC');
INSERT INTO "probe" VALUES(4,'north.right.base2','base_temperature','degC');
INSERT INTO "probe" VALUES(5,'north.right.base3','base_temperature','degC');
CREATE TABLE relay (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL UNIQUE
    ) STRICT;
INSERT INTO "relay" VALUES(1,'north.left.mat');
INSERT INTO "relay" VALUES(2,'north.right.mat');
INSERT INTO "relay" VALUES(3,'north.mister');
CREATE TABLE relay_hour (
        t INTEGER NOT NULL CHECK (t % 3600 = 0),
        relay INTEGER NOT NULL REFERENCES relay(id),
        on_ms INTEGER NOT NULL CHECK (on_ms >= 0),
        starts INTEGER NOT NULL CHECK (starts >= 0),
        PRIMARY KEY (t, relay)
    ) STRICT, WITHOUT ROWID;
CREATE TABLE relay_minute (
        t INTEGER NOT NULL,
        relay INTEGER NOT NULL REFERENCES relay(id),
        on_ms INTEGER NOT NULL CHECK (on_ms >= 0),
        starts INTEGER NOT NULL CHECK (starts >= 0),
        run INTEGER NOT NULL REFERENCES run(id),
        PRIMARY KEY (t, relay)
    ) STRICT, WITHOUT ROWID;
INSERT INTO "relay_minute" VALUES(1772409600,1,12000,1,1);
CREATE TABLE run (
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        boot TEXT NOT NULL,
        started_ms INTEGER NOT NULL,
        trusted INTEGER NOT NULL CHECK (trusted IN (0, 1)),
        version TEXT NOT NULL,
        settings TEXT NOT NULL REFERENCES settings(hash),
        durable INTEGER NOT NULL CHECK (durable IN (0, 1)),
        stopped_ms INTEGER,
        reason TEXT,
        CHECK ((stopped_ms IS NULL) = (reason IS NULL))
    ) STRICT;
INSERT INTO "run" VALUES(1,'boot-a',1772409600000,1,'0.1.0','5ad214a3077642e94f50b82120b72406719193e4030faad8e88bd6c292be171a',1,1772409900000,'stopped');
CREATE TABLE settings (
        hash TEXT PRIMARY KEY CHECK (length(hash) = 64),
        text TEXT NOT NULL,
        at_ms INTEGER NOT NULL
    ) STRICT;
INSERT INTO "settings" VALUES('5ad214a3077642e94f50b82120b72406719193e4030faad8e88bd6c292be171a','
[site]
name = "Alder Lane Nursery"
timezone = "Europe/Dublin"
latitude_deg = 53.3
longitude_deg = -6.5

[links.board]
kind = "serial"
port = "/dev/ttyACM0"

[benches.north.air]
probes = [
  {link = "board", channel = "air", kind = "air_temperature"},
  {link = "board", channel = "rh", kind = "humidity"},
]

[benches.north.bays.left]
probes = [{link = "board", channel = "base1", kind = "base_temperature"}]
mat = {link = "board", channel = "mat1", power_w = 90.0}

[benches.north.bays.right]
probes = [
  {link = "board", channel = "base2", kind = "base_temperature"},
  {link = "board", channel = "base3", kind = "base_temperature"},
]
mat = {link = "board", channel = "mat2", power_w = 200.0}

[benches.north.mister]
link = "board"
channel = "mist"
flow_ml_per_s = 12.0

[tariff]
price_per_kwh = 0.30
windows = [{start = 23:00:00, end = 08:00:00, price_per_kwh = 0.10}]
',1772409600000);
CREATE TABLE state (
        id INTEGER PRIMARY KEY CHECK (id = 1),
        at_ms INTEGER NOT NULL,
        json TEXT NOT NULL
    ) STRICT;
CREATE TABLE time_fix (
        id INTEGER PRIMARY KEY,
        at_ms INTEGER NOT NULL,
        boot TEXT NOT NULL,
        from_ms INTEGER NOT NULL,
        to_ms INTEGER NOT NULL,
        offset_ms INTEGER NOT NULL
    ) STRICT;
CREATE UNIQUE INDEX "idx__sqlite_migrations_migration_set_name"
    ON "_sqlite_migrations" ("migration_set", "name");
CREATE INDEX decision_place ON decision (place, id);
CREATE INDEX decision_at ON decision (at_ms);
CREATE INDEX alarm_change_at ON alarm_change (at_ms);
CREATE INDEX event_at ON event (at_ms);
CREATE INDEX entry_batch ON entry (batch, number);
CREATE TRIGGER entry_update_refused BEFORE UPDATE ON entry BEGIN SELECT RAISE(ABORT, 'entry rows are never changed; enter a correction'); END;
CREATE TRIGGER entry_delete_refused BEFORE DELETE ON entry BEGIN SELECT RAISE(ABORT, 'entry rows are never changed; enter a correction'); END;
CREATE TRIGGER time_fix_update_refused BEFORE UPDATE ON time_fix BEGIN SELECT RAISE(ABORT, 'time_fix rows are never changed; enter a correction'); END;
CREATE TRIGGER time_fix_delete_refused BEFORE DELETE ON time_fix BEGIN SELECT RAISE(ABORT, 'time_fix rows are never changed; enter a correction'); END;
CREATE TRIGGER batch_delete_refused BEFORE DELETE ON batch BEGIN SELECT RAISE(ABORT, 'a batch is closed, never deleted'); END;
CREATE TRIGGER batch_frozen BEFORE UPDATE OF number, plant, kind, stuck_ms, recipe_json, recipe_hash, details ON batch BEGIN SELECT RAISE(ABORT, 'what was recorded at sticking is frozen'); END;
COMMIT;
