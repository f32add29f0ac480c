-- A book of schema 0001, made by the program of that schema. Invented shop, invented data.
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
INSERT INTO "acts" VALUES(1,'2025-03-03T08:01:00.000000+00:00','Ina Invented','add stack','invented blank A',NULL,'',1);
INSERT INTO "acts" VALUES(2,'2025-03-03T08:02:00.000000+00:00','Ina Invented','correct stack','invented blank A',NULL,'lot misread',1);
INSERT INTO "acts" VALUES(3,'2025-03-03T08:03:00.000000+00:00','Ina Invented','add line','line 1',NULL,'',1);
INSERT INTO "acts" VALUES(4,'2025-03-03T08:04:00.000000+00:00','Ina Invented','add study','first article, blank A',1,'',1);
INSERT INTO "acts" VALUES(5,'2025-03-03T08:05:00.000000+00:00','Ina Invented','add round','first article, blank A, round 1: 4 coupons',1,'',5);
INSERT INTO "acts" VALUES(6,'2025-03-03T08:06:00.000000+00:00','Ina Invented','record','first article, blank A: 9 entries for 4 coupons',1,'',9);
INSERT INTO "acts" VALUES(7,'2025-03-03T08:07:00.000000+00:00','Ina Invented','record','first article, blank A: 1 entries for 1 coupons',1,'felt again next morning',1);
INSERT INTO "acts" VALUES(8,'2025-03-03T08:08:00.000000+00:00','Ina Invented','keep recommend','first article, blank A',1,'',1);
INSERT INTO "acts" VALUES(9,'2025-03-03T08:09:00.000000+00:00','Ina Invented','keep fit','first article, blank A',1,'',1);
CREATE TABLE analyses (
	id INTEGER NOT NULL, 
	study_id INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	inputs_hash TEXT NOT NULL, 
	seed BIGINT NOT NULL, 
	version TEXT NOT NULL, 
	payload TEXT NOT NULL, 
	act_id INTEGER NOT NULL, 
	PRIMARY KEY (id), 
	FOREIGN KEY(study_id) REFERENCES studies (id), 
	FOREIGN KEY(act_id) REFERENCES acts (id)
);
INSERT INTO "analyses" VALUES(1,1,'recommend','0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f',5,'0.0.9','{"verdict": "more coupons", "setpoint": {"cure_temp": 126.0, "dwell": 12.0}}',8);
INSERT INTO "analyses" VALUES(2,1,'fit','0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f0f',5,'0.0.9','{"beliefs": []}',9);
CREATE TABLE book_info (
	id INTEGER NOT NULL, 
	uid TEXT NOT NULL, 
	made_at TEXT NOT NULL, 
	made_by TEXT NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "book_info" VALUES(1,'00000000000000000000000000000000','2025-03-03T08:00:00.000000+00:00','Ina Invented');
CREATE TABLE book_version (
	version_num VARCHAR(32) NOT NULL, 
	CONSTRAINT book_version_pkc PRIMARY KEY (version_num)
);
INSERT INTO "book_version" VALUES('0001');
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
INSERT INTO "coupons" VALUES(1,1,1,'R1-01','{"cure_temp": 110.0, "dwell": 8.0}','{"cure_batch": 1, "press_batch": 1, "role": "corner"}',5);
INSERT INTO "coupons" VALUES(2,1,1,'R1-02','{"cure_temp": 110.0, "dwell": 20.0}','{"cure_batch": 1, "press_batch": 1, "role": "corner"}',5);
INSERT INTO "coupons" VALUES(3,1,1,'R1-03','{"cure_temp": 140.0, "dwell": 8.0}','{"cure_batch": 2, "press_batch": 2, "role": "corner"}',5);
INSERT INTO "coupons" VALUES(4,1,1,'R1-04','{"cure_temp": 140.0, "dwell": 20.0}','{"cure_batch": 2, "press_batch": 2, "role": "corner"}',5);
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
INSERT INTO "entries" VALUES(1,1,'check:release','false',NULL,NULL,6);
INSERT INTO "entries" VALUES(2,1,'side','"under"',NULL,NULL,6);
INSERT INTO "entries" VALUES(3,1,'hand:ina','4.0',NULL,NULL,6);
INSERT INTO "entries" VALUES(4,2,'check:release','true',NULL,NULL,6);
INSERT INTO "entries" VALUES(5,2,'hand:ina','3.5',NULL,NULL,6);
INSERT INTO "entries" VALUES(6,3,'check:release','true',NULL,NULL,6);
INSERT INTO "entries" VALUES(7,3,'hand:ina','4.0',NULL,NULL,6);
INSERT INTO "entries" VALUES(8,4,'check:release','true',NULL,NULL,6);
INSERT INTO "entries" VALUES(9,4,'hand:ina','3.5',NULL,NULL,6);
INSERT INTO "entries" VALUES(10,2,'hand:ina','4.5',NULL,5,7);
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
INSERT INTO "lines" VALUES(1,'line 1','{"name": "line 1", "oven": {"name": "oven", "heat_min_per_10": 10, "cool_min_per_10": 15, "uncertainty_degc": null}, "press": {"name": "press", "heat_min_per_10": 4, "cool_min_per_10": 12, "uncertainty_degc": null}, "gauge": "", "coupons_per_stroke": 1, "coupons_per_sheet": 4}',NULL,3);
CREATE TABLE rounds (
	id INTEGER NOT NULL, 
	study_id INTEGER NOT NULL, 
	number INTEGER NOT NULL, 
	kind TEXT NOT NULL, 
	seed BIGINT NOT NULL, 
	notes TEXT NOT NULL, 
	act_id INTEGER NOT NULL, 
	PRIMARY KEY (id), 
	UNIQUE (study_id, number), 
	FOREIGN KEY(study_id) REFERENCES studies (id), 
	FOREIGN KEY(act_id) REFERENCES acts (id)
);
INSERT INTO "rounds" VALUES(1,1,1,'full',5,'["invented data"]',5);
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
INSERT INTO "stacks" VALUES(1,'invented blank A','{"name": "invented blank A", "fabric": {"name": "cotton 180", "supplier": "Invented Mill", "lot": "M-1", "detail": ""}, "film": {"name": "film 75", "supplier": "", "lot": "F-1", "detail": ""}, "powder": {"name": "powder 80-170", "supplier": "", "lot": "P-1", "detail": ""}, "ink": null, "dyed_polyester": false}',NULL,1);
INSERT INTO "stacks" VALUES(2,'invented blank A','{"name": "invented blank A", "fabric": {"name": "cotton 180", "supplier": "Invented Mill", "lot": "M-2", "detail": ""}, "film": {"name": "film 75", "supplier": "", "lot": "F-1", "detail": ""}, "powder": {"name": "powder 80-170", "supplier": "", "lot": "P-1", "detail": ""}, "ink": null, "dyed_polyester": false}',1,2);
CREATE TABLE studies (
	id INTEGER NOT NULL, 
	made_at TEXT NOT NULL, 
	PRIMARY KEY (id)
);
INSERT INTO "studies" VALUES(1,'2025-03-03T08:04:00.000000+00:00');
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
INSERT INTO "study_entries" VALUES(1,1,'first article, blank A','{"name": "first article, blank A", "factors": [{"name": "cure_temp", "unit": "degC", "low": 110, "high": 140, "setting_sd": 4, "hard_to_change": true, "scale": "linear", "step": 1, "levels": [], "stage": "cure", "label": "cure temperature"}, {"name": "dwell", "unit": "s", "low": 8, "high": 20, "setting_sd": 1, "hard_to_change": false, "scale": "log", "step": 1, "levels": [], "stage": "press", "label": "press dwell"}], "spec": {"pass_rate": 0.95, "hand_min": 3.5, "assurance": 0.9, "checks": [{"name": "release", "label": "film lets go cleanly, nothing left on it", "after_washes": 0}, {"name": "stretch", "label": "no crack or lift when stretched, thumbnail does not lift the edge", "after_washes": 0}, {"name": "wash_1", "label": "sound after 1 wash", "after_washes": 1}, {"name": "wash_5", "label": "sound after 5 washes", "after_washes": 5}]}, "limits": null, "forbidden": [], "held": {}}',2,1,0,NULL,4);
CREATE INDEX ix_acts_study_id ON acts (study_id);
CREATE UNIQUE INDEX uq_stacks_first ON stacks (name) WHERE supersedes IS NULL;
CREATE UNIQUE INDEX uq_lines_first ON lines (name) WHERE supersedes IS NULL;
CREATE INDEX ix_study_entries_study_id ON study_entries (study_id);
CREATE INDEX ix_coupons_round_id ON coupons (round_id);
CREATE INDEX ix_entries_coupon_field ON entries (coupon_id, field);
CREATE UNIQUE INDEX uq_entries_first ON entries (coupon_id, field) WHERE supersedes IS NULL;
CREATE INDEX ix_analyses_study_id ON analyses (study_id);
CREATE INDEX ix_stacks_act_id ON stacks (act_id);
CREATE INDEX ix_lines_act_id ON lines (act_id);
CREATE INDEX ix_study_entries_act_id ON study_entries (act_id);
CREATE INDEX ix_rounds_act_id ON rounds (act_id);
CREATE INDEX ix_coupons_act_id ON coupons (act_id);
CREATE INDEX ix_entries_act_id ON entries (act_id);
CREATE INDEX ix_analyses_act_id ON analyses (act_id);
COMMIT;
