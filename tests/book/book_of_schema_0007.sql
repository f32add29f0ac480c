-- A book of schema 0007, made by the program of that schema. Invented shop, invented data.
BEGIN TRANSACTION;
CREATE TABLE acts (
	id INTEGER NOT NULL, 
	at TEXT NOT NULL, 
	who TEXT NOT NULL, 
	verb TEXT NOT NULL, 
	subject TEXT NOT NULL, 
	study_id INTEGER, 
	why TEXT NOT NULL, 
	rows_added INTEGER NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(study_id) REFERENCES studies (id)
);
INSERT INTO "acts" VALUES(1,'2030-01-01T00:01:00.000000+00:00','Ina','add stack','blank A',NULL,'',1);
INSERT INTO "acts" VALUES(2,'2030-01-01T00:02:00.000000+00:00','Ina','add line','line 1',NULL,'',1);
INSERT INTO "acts" VALUES(3,'2030-01-01T00:03:00.000000+00:00','Ina','add study','first article',1,'',1);
INSERT INTO "acts" VALUES(4,'2030-01-01T00:04:00.000000+00:00','Ina','add round','first article, round 1: 4 coupons',1,'',5);
INSERT INTO "acts" VALUES(5,'2030-01-01T00:05:00.000000+00:00','Ina','record','first article: 2 coupons',1,'',6);
INSERT INTO "acts" VALUES(6,'2030-01-01T00:06:00.000000+00:00','Ina','record','first article: R1-03',1,'',2);
CREATE TABLE analyses (
	id INTEGER NOT NULL, 
	study_id INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	inputs_hash TEXT NOT NULL, 
	seed BIGINT NOT NULL, 
	version TEXT NOT NULL, 
	payload TEXT NOT NULL, 
	act_id INTEGER NOT NULL, verdict TEXT DEFAULT '' NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(study_id) REFERENCES studies (id), 
	FOREIGN KEY(act_id) REFERENCES acts (id)
);
CREATE TABLE book_info (
	id INTEGER NOT NULL, 
	uid TEXT NOT NULL, 
	made_at TEXT NOT NULL, 
	made_by TEXT NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "book_info" VALUES(1,'45441790c002458ea0d3a74a51422f88','2030-01-01T00:00:00.000000+00:00','Ina');
CREATE TABLE book_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT book_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "book_version" VALUES('0007');
CREATE TABLE coupons (
	id INTEGER NOT NULL, 
	study_id INTEGER NOT NULL, 
	round_id INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	settings TEXT NOT NULL, 
	place TEXT NOT NULL, 
	act_id INTEGER NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (study_id, name), 
	FOREIGN KEY(study_id) REFERENCES studies (id), 
	FOREIGN KEY(round_id) REFERENCES rounds (id), 
	FOREIGN KEY(act_id) REFERENCES acts (id)
);
INSERT INTO "coupons" VALUES(1,1,1,'R1-01','{"cure_temp": 110.0, "dwell": 8.0}','{"cure_batch": 10, "press_batch": 10, "cure_order": 1, "press_order": 1, "garment": 1, "stroke": 1, "role": "corner"}',4);
INSERT INTO "coupons" VALUES(2,1,1,'R1-02','{"cure_temp": 111.0, "dwell": 9.0}','{"cure_batch": 10, "press_batch": 10, "cure_order": 2, "press_order": 2, "garment": 1, "stroke": 2, "role": "centre"}',4);
INSERT INTO "coupons" VALUES(3,1,1,'R1-03','{"cure_temp": 112.0, "dwell": 10.0}','{"cure_batch": 11, "press_batch": 11, "cure_order": 3, "press_order": 3, "garment": 1, "stroke": 3, "role": "corner"}',4);
INSERT INTO "coupons" VALUES(4,1,1,'R1-04','{"cure_temp": 113.0, "dwell": 11.0}','{"cure_batch": 11, "press_batch": 11, "cure_order": 4, "press_order": 4, "garment": 1, "stroke": 4, "role": "centre"}',4);
CREATE TABLE entries (
	id INTEGER NOT NULL, 
	coupon_id INTEGER NOT NULL, 
	field TEXT NOT NULL, 
	value TEXT NOT NULL, 
	scored_at TEXT, 
	supersedes INTEGER, 
	act_id INTEGER NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(coupon_id) REFERENCES coupons (id), 
	UNIQUE (supersedes), 
	FOREIGN KEY(supersedes) REFERENCES entries (id), 
	FOREIGN KEY(act_id) REFERENCES acts (id)
);
INSERT INTO "entries" VALUES(1,1,'check:release','false',NULL,NULL,5);
INSERT INTO "entries" VALUES(2,1,'symptoms','["patchy_transfer"]',NULL,NULL,5);
INSERT INTO "entries" VALUES(3,1,'side','"under"',NULL,NULL,5);
INSERT INTO "entries" VALUES(4,2,'check:release','false',NULL,NULL,5);
INSERT INTO "entries" VALUES(5,2,'symptoms','["film_lock"]',NULL,NULL,5);
INSERT INTO "entries" VALUES(6,2,'side','"other"',NULL,NULL,5);
INSERT INTO "entries" VALUES(7,3,'check:release','true',NULL,NULL,6);
INSERT INTO "entries" VALUES(8,3,'hand:ana','4.0',NULL,NULL,6);
CREATE TABLE gauge_readings (
	id INTEGER NOT NULL, 
	line_name TEXT NOT NULL, 
	data TEXT NOT NULL, 
	withdraws INTEGER, 
	act_id INTEGER NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (withdraws), 
	FOREIGN KEY(withdraws) REFERENCES gauge_readings (id), 
	FOREIGN KEY(act_id) REFERENCES acts (id)
);
CREATE TABLE lines (
	id INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	data TEXT NOT NULL, 
	supersedes INTEGER, 
	act_id INTEGER NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (supersedes), 
	FOREIGN KEY(supersedes) REFERENCES lines (id), 
	FOREIGN KEY(act_id) REFERENCES acts (id)
);
INSERT INTO "lines" VALUES(1,'line 1','{"name": "line 1", "oven": {"name": "oven", "heat_min_per_10": 10, "cool_min_per_10": 15, "uncertainty_degc": null}, "press": {"name": "press", "heat_min_per_10": 4, "cool_min_per_10": 12, "uncertainty_degc": null}, "gauge": "", "coupons_per_stroke": 1, "coupons_per_sheet": 4}',NULL,2);
CREATE TABLE page_state (
	kind TEXT NOT NULL, 
	"key" TEXT NOT NULL, 
	at DOUBLE NOT NULL, 
	value TEXT NOT NULL, 
	PRIMARY KEY (kind, "key")
);
CREATE TABLE photos (
	id INTEGER NOT NULL, 
	uid TEXT NOT NULL, 
	coupon_id INTEGER NOT NULL, 
	face TEXT NOT NULL, 
	media_type TEXT NOT NULL, 
	sha256 TEXT NOT NULL, 
	size INTEGER NOT NULL, 
	image BLOB NOT NULL, 
	withdraws INTEGER, 
	act_id INTEGER NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (uid), 
	FOREIGN KEY(coupon_id) REFERENCES coupons (id), 
	UNIQUE (withdraws), 
	FOREIGN KEY(withdraws) REFERENCES photos (id), 
	FOREIGN KEY(act_id) REFERENCES acts (id)
);
CREATE TABLE recipes (
	id INTEGER NOT NULL, 
	uid TEXT NOT NULL, 
	name TEXT NOT NULL, 
	revision INTEGER NOT NULL, 
	event TEXT NOT NULL, 
	study_id INTEGER, 
	data TEXT NOT NULL, 
	act_id INTEGER NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (name, revision, event), 
	UNIQUE (uid), 
	FOREIGN KEY(study_id) REFERENCES studies (id), 
	FOREIGN KEY(act_id) REFERENCES acts (id)
);
CREATE TABLE rounds (
	id INTEGER NOT NULL, 
	study_id INTEGER NOT NULL, 
	number INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	seed BIGINT NOT NULL, 
	notes TEXT NOT NULL, 
	act_id INTEGER NOT NULL, scale TEXT DEFAULT 'dial' NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (study_id, number), 
	FOREIGN KEY(study_id) REFERENCES studies (id), 
	FOREIGN KEY(act_id) REFERENCES acts (id)
);
INSERT INTO "rounds" VALUES(1,1,1,'full',7,'["invented"]',4,'dial');
CREATE TABLE seals (
	id INTEGER NOT NULL, 
	schema TEXT NOT NULL, 
	digest TEXT NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(id) REFERENCES acts (id)
);
INSERT INTO "seals" VALUES(1,'0007','ac2ad8505eaf50694717ffc505282099de11ac24c8ea952f86b2b93d0ecbd225');
INSERT INTO "seals" VALUES(2,'0007','c1c5bceeb5054dee351be18594b055fcbc0d3028814b5e08fe5f0ace5a50f990');
INSERT INTO "seals" VALUES(3,'0007','df6ce16f181d6cd951f0938967a615c030dcd6f3b8b6a8e71872e3e662235e92');
INSERT INTO "seals" VALUES(4,'0007','8baf83262acc231d14320f0c39a3cf9d1d767e6e22e5e5f2a6a507495cb856c7');
INSERT INTO "seals" VALUES(5,'0007','3af7df6cfd56d450a832f6dc683dcb1e9d0e22a6623432d315e40ed61aeaf186');
INSERT INTO "seals" VALUES(6,'0007','d6569e70a9e5cee6f7367074d70dc25787bbac859f957d3bb326a3ce94b2b7aa');
CREATE TABLE shop_notes (
	id INTEGER NOT NULL, 
	uid TEXT NOT NULL, 
	topic TEXT NOT NULL, 
	name TEXT NOT NULL, 
	data TEXT NOT NULL, 
	withdraws INTEGER, 
	act_id INTEGER NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (uid), 
	UNIQUE (withdraws), 
	FOREIGN KEY(withdraws) REFERENCES shop_notes (id), 
	FOREIGN KEY(act_id) REFERENCES acts (id)
);
CREATE TABLE stacks (
	id INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	data TEXT NOT NULL, 
	supersedes INTEGER, 
	act_id INTEGER NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (supersedes), 
	FOREIGN KEY(supersedes) REFERENCES stacks (id), 
	FOREIGN KEY(act_id) REFERENCES acts (id)
);
INSERT INTO "stacks" VALUES(1,'blank A','{"name": "blank A", "fabric": {"name": "cotton", "supplier": "Invented Mill", "lot": "M-1", "detail": ""}, "film": {"name": "film", "supplier": "", "lot": "F-1", "detail": ""}, "powder": {"name": "powder", "supplier": "", "lot": "", "detail": ""}, "ink": null, "dyed_polyester": false}',NULL,1);
CREATE TABLE studies (
	id INTEGER NOT NULL, 
	made_at TEXT NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "studies" VALUES(1,'2030-01-01T00:03:00.000000+00:00');
CREATE TABLE study_entries (
	id INTEGER NOT NULL, 
	study_id INTEGER NOT NULL, 
	name TEXT NOT NULL, 
	data TEXT NOT NULL, 
	stack_id INTEGER NOT NULL, 
	line_id INTEGER NOT NULL, 
	archived BOOLEAN NOT NULL, 
	supersedes INTEGER, 
	act_id INTEGER NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(study_id) REFERENCES studies (id), 
	FOREIGN KEY(stack_id) REFERENCES stacks (id), 
	FOREIGN KEY(line_id) REFERENCES lines (id), 
	UNIQUE (supersedes), 
	FOREIGN KEY(supersedes) REFERENCES study_entries (id), 
	FOREIGN KEY(act_id) REFERENCES acts (id)
);
INSERT INTO "study_entries" VALUES(1,1,'first article','{"name": "first article", "factors": [{"name": "cure_temp", "unit": "degC", "low": 110, "high": 140, "setting_sd": 4, "hard_to_change": true, "scale": "linear", "step": 1, "levels": [], "stage": "cure", "label": "cure temperature"}, {"name": "dwell", "unit": "s", "low": 8, "high": 20, "setting_sd": 1, "hard_to_change": false, "scale": "log", "step": 1, "levels": [], "stage": "press", "label": "press dwell"}], "spec": {"pass_rate": 0.95, "hand_min": 3.5, "assurance": 0.9, "checks": [{"name": "release", "label": "film lets go cleanly, nothing left on it", "after_washes": 0}, {"name": "stretch", "label": "no crack or lift when stretched, thumbnail does not lift the edge", "after_washes": 0}, {"name": "wash_1", "label": "sound after 1 wash", "after_washes": 1}, {"name": "wash_5", "label": "sound after 5 washes", "after_washes": 5}]}, "limits": null, "forbidden": [], "held": {}}',1,1,0,NULL,3);
CREATE INDEX ix_acts_study_id ON acts (study_id);
CREATE INDEX ix_stacks_act_id ON stacks (act_id);
CREATE UNIQUE INDEX uq_stacks_first ON stacks (name) WHERE supersedes IS NULL;
CREATE INDEX ix_lines_act_id ON lines (act_id);
CREATE UNIQUE INDEX uq_lines_first ON lines (name) WHERE supersedes IS NULL;
CREATE INDEX ix_study_entries_study_id ON study_entries (study_id);
CREATE INDEX ix_study_entries_act_id ON study_entries (act_id);
CREATE INDEX ix_rounds_act_id ON rounds (act_id);
CREATE INDEX ix_coupons_round_id ON coupons (round_id);
CREATE INDEX ix_coupons_act_id ON coupons (act_id);
CREATE INDEX ix_entries_act_id ON entries (act_id);
CREATE INDEX ix_entries_coupon_field ON entries (coupon_id, field);
CREATE UNIQUE INDEX uq_entries_first ON entries (coupon_id, field) WHERE supersedes IS NULL;
CREATE INDEX ix_analyses_act_id ON analyses (act_id);
CREATE INDEX ix_analyses_study_id ON analyses (study_id);
CREATE INDEX ix_gauge_readings_line_name ON gauge_readings (line_name);
CREATE INDEX ix_gauge_readings_act_id ON gauge_readings (act_id);
CREATE TRIGGER no_update_book_info BEFORE UPDATE ON book_info BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_delete_book_info BEFORE DELETE ON book_info BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_update_studies BEFORE UPDATE ON studies BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_delete_studies BEFORE DELETE ON studies BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_update_acts BEFORE UPDATE ON acts BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_delete_acts BEFORE DELETE ON acts BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_update_stacks BEFORE UPDATE ON stacks BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_delete_stacks BEFORE DELETE ON stacks BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_update_lines BEFORE UPDATE ON lines BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_delete_lines BEFORE DELETE ON lines BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_update_gauge_readings BEFORE UPDATE ON gauge_readings BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_delete_gauge_readings BEFORE DELETE ON gauge_readings BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_update_study_entries BEFORE UPDATE ON study_entries BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_delete_study_entries BEFORE DELETE ON study_entries BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_delete_rounds BEFORE DELETE ON rounds BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_update_coupons BEFORE UPDATE ON coupons BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_delete_coupons BEFORE DELETE ON coupons BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_update_entries BEFORE UPDATE ON entries BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_delete_entries BEFORE DELETE ON entries BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_update_analyses BEFORE UPDATE ON analyses BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_delete_analyses BEFORE DELETE ON analyses BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE INDEX ix_shop_notes_act_id ON shop_notes (act_id);
CREATE INDEX ix_shop_notes_topic ON shop_notes (topic);
CREATE TRIGGER no_update_shop_notes BEFORE UPDATE ON shop_notes BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_delete_shop_notes BEFORE DELETE ON shop_notes BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE INDEX ix_recipes_act_id ON recipes (act_id);
CREATE INDEX ix_photos_act_id ON photos (act_id);
CREATE INDEX ix_photos_coupon_id ON photos (coupon_id);
CREATE TRIGGER no_delete_recipes BEFORE DELETE ON recipes BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_update_photos BEFORE UPDATE ON photos BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_delete_photos BEFORE DELETE ON photos BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_update_rounds BEFORE UPDATE ON rounds BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_update_recipes BEFORE UPDATE ON recipes BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_update_seals BEFORE UPDATE ON seals BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
CREATE TRIGGER no_delete_seals BEFORE DELETE ON seals BEGIN SELECT RAISE(ABORT, 'the book is append-only: correct with a new entry'); END;
COMMIT;
