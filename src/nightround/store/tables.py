"""Every table, as SQLAlchemy Core. Days are civil dates at the site; instants are UTC (`Instant`).

The register's tables (sites … closures) hold facts; `evidence` is a digest of the log that can be rebuilt from it;
the rest is what rounds, letters and calendars found or said, and can be reckoned again.
"""

from __future__ import annotations

from sqlalchemy import (
    Boolean,
    Column,
    Date,
    Float,
    ForeignKey,
    Index,
    Integer,
    LargeBinary,
    MetaData,
    String,
    Table,
    Text,
    UniqueConstraint,
    text,
)

from .types import Instant

metadata = MetaData(
    naming_convention={
        "ix": "ix_%(column_0_label)s",
        "uq": "uq_%(table_name)s_%(column_0_name)s",
        "fk": "fk_%(table_name)s_%(column_0_name)s_%(referred_table_name)s",
        "pk": "pk_%(table_name)s",
    }
)

# One row (id 1). `version` rises with every change that a reader of duties, feeds or pages could notice.
fleet = Table(
    "fleet",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("namespace", String(36), nullable=False),  # random UUID: the root of every calendar UID
    Column("created_at", Instant, nullable=False),
    Column("version", Integer, nullable=False, server_default="1"),
    Column("log_count", Integer, nullable=False, server_default="0"),
    Column("log_head", String(64), nullable=False, server_default=""),  # hash of the newest log entry
    # How the log was read when parts and evidence were last made from it (`store.database.LOG_READ_AS`).
    Column("log_read_as", Integer, nullable=False, server_default="0"),
)

sites = Table(
    "sites",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("site", String(64), nullable=False, unique=True),
    Column("name", Text, nullable=False, server_default=""),
    Column("address", Text, nullable=False, server_default=""),
    Column("latitude", Float),
    Column("longitude", Float),
    Column("time_zone", String(64), nullable=False),
    Column("country", String(2), nullable=False, server_default=""),
    Column("subdivision", String(16), nullable=False, server_default=""),  # ISO 3166-2 without the country: "CA"
    Column("site_type", String(64), nullable=False, server_default=""),
    Column("monthly_celsius", Text, nullable=False, server_default=""),  # as in the sheet: twelve numbers, "2;3.5;…"
    Column("responders", Integer),  # how many with a certificate in date there are to be; None: as the settings say
    Column("notes", Text, nullable=False, server_default=""),
    Column("source", Text, nullable=False, server_default=""),  # which import brought it
    Column("revision", Integer, nullable=False, server_default="1"),
    Index("ix_sites_time_zone", "time_zone"),
)

units = Table(
    "units",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("unit", String(64), nullable=False, unique=True),
    Column("site_id", ForeignKey("sites.id"), nullable=False, index=True),
    Column("spot", Text, nullable=False, server_default=""),
    Column("floor", Text, nullable=False, server_default=""),
    Column("model", String(128), nullable=False, server_default=""),
    Column("serial", String(64), nullable=False, server_default=""),
    Column("made_on", Date),
    Column("in_service_on", Date),
    Column("firmware", String(64), nullable=False, server_default=""),
    Column("latitude", Float),
    Column("longitude", Float),
    Column("cabinet", Text, nullable=False, server_default=""),
    Column("registered_with", Text, nullable=False, server_default=""),
    Column("registered_on", Date),
    Column("notes", Text, nullable=False, server_default=""),
    Column("source", Text, nullable=False, server_default=""),
    Column("label", String(22), nullable=False, unique=True),  # random: the cabinet label's /at/LABEL
    Column("revision", Integer, nullable=False, server_default="1"),
)

parts = Table(
    "parts",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("unit_id", ForeignKey("units.id"), index=True),
    Column("site_id", ForeignKey("sites.id"), index=True),  # a spare kept at a site, for no one unit
    Column("kind", String(32), nullable=False),
    Column("state", String(8), nullable=False),  # fitted, spare, removed, void (fitted by an entry struck since)
    Column("lot", String(64), nullable=False, server_default=""),
    Column("label_date", String(32), nullable=False, server_default=""),  # as typed or scanned, kept for ever
    Column("last_good_day", Date),  # derived from label_date when it was written
    Column("read_from", String(8), nullable=False, server_default=""),  # typed, gs1, hibc
    Column("fitted_on", Date),
    Column("udi", Text, nullable=False, server_default=""),
    Column("cost", String(32), nullable=False, server_default=""),
    Column("odd", Boolean, nullable=False, server_default=text("false")),  # implausible, kept by --accept-odd
    Column("fitted_by", Integer),  # the id of the log entry that fitted it; None: none did
    # How the register's own files tell of it. Empty: as it stands here; "-": not at all, the log alone does; else JSON
    # of the columns that the log has changed since.
    Column("declared", Text, nullable=False, server_default=""),
)

people = Table(
    "people",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("person", String(64), nullable=False, unique=True),
    Column("name", Text, nullable=False, server_default=""),
    Column("email", String(320), nullable=False, server_default=""),
    Column("phone", String(64), nullable=False, server_default=""),
    Column("language", String(16), nullable=False, server_default=""),
    Column("time_zone", String(64), nullable=False, server_default=""),  # empty: that of their first site
    Column("whole_fleet", Boolean, nullable=False, server_default=text("false")),
    Column("letters_off", Boolean, nullable=False, server_default=text("false")),  # weekly letter unsubscribed
    Column("left_on", Date),  # the last day with us; None: has not left
)

person_roles = Table(
    "person_roles",
    metadata,
    Column("person_id", ForeignKey("people.id", ondelete="CASCADE"), primary_key=True),
    Column("role", String(16), primary_key=True),  # coordinator, site-contact, on-call, manager, responder
)

person_sites = Table(
    "person_sites",
    metadata,
    Column("person_id", ForeignKey("people.id", ondelete="CASCADE"), primary_key=True),
    Column("site_id", ForeignKey("sites.id", ondelete="CASCADE"), primary_key=True, index=True),
)

training = Table(
    "training",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("person_id", ForeignKey("people.id"), nullable=False, index=True),
    Column("certificate", Text, nullable=False),
    Column("issued_on", Date),
    Column("valid_to", String(32), nullable=False, server_default=""),  # as typed
    Column("last_good_day", Date),
    UniqueConstraint("person_id", "certificate", "issued_on"),
)

# Append only; what `discard` empties loses its content and keeps its place. `hash` covers the entry and `prev_hash`,
# so a changed past shows.
log = Table(
    "log",
    metadata,
    Column("id", Integer, primary_key=True),  # position in the chain, from 1 without gaps
    Column("unit_id", ForeignKey("units.id"), nullable=False, index=True),
    Column("at", Instant, nullable=False),
    Column("written_at", Instant, nullable=False),
    Column("entry", String(16), nullable=False),
    Column("by_person", String(64), nullable=False, server_default=""),  # person code; empty: unknown passer-by
    Column("readings", Text, nullable=False, server_default="{}"),  # JSON, keys sorted
    Column("part", Text, nullable=False, server_default="{}"),  # JSON, keys sorted
    Column("note", Text, nullable=False, server_default=""),
    Column("strikes", Integer),  # the id of the entry that this one corrects
    Column("source", Text, nullable=False, server_default=""),
    Column("digest", String(64), nullable=False, index=True),  # of the content alone: finds the same entry again
    Column("prev_hash", String(64), nullable=False),
    Column("hash", String(64), nullable=False),
    Column("discarded_at", Instant),  # set: a gravestone; a later entry "discarded" names it
    Column("seal", String(64), nullable=False, server_default=""),  # hash of what the gravestone still says
)

rota = Table(
    "rota",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("person_id", ForeignKey("people.id"), nullable=False, index=True),
    Column("from_at", Instant, nullable=False),
    Column("until_at", Instant, nullable=False),  # exclusive
    UniqueConstraint("person_id", "from_at"),
)

# The bytes of the rota's calendar file as they were last read whole (id 1): in use while the file cannot be read.
rota_files = Table(
    "rota_files",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("path", Text, nullable=False),
    Column("body", LargeBinary, nullable=False),
    Column("digest", String(64), nullable=False),
    Column("read_at", Instant, nullable=False),
)

# Days on which a person is away; both days included, in the person's zone.
absences = Table(
    "absences",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("person_id", ForeignKey("people.id"), nullable=False),
    Column("from_on", Date, nullable=False),
    Column("until_on", Date, nullable=False),
    Column("note", Text, nullable=False, server_default=""),
    UniqueConstraint("person_id", "from_on"),
)

# Days on which a site is closed; both days included, at the site. With `every_year` a season: the same days of every
# year from the first on, over New Year too.
closures = Table(
    "closures",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("site_id", ForeignKey("sites.id"), nullable=False),
    Column("from_on", Date, nullable=False),
    Column("until_on", Date),  # empty: until it is taken out
    Column("every_year", Boolean, nullable=False, server_default=text("false")),
    Column("reason", Text, nullable=False, server_default=""),
    UniqueConstraint("site_id", "from_on"),
)

# What the log says of a unit today, one row a unit. Fields are those of reckoning.facts.Evidence.
evidence = Table(
    "evidence",
    metadata,
    Column("unit_id", ForeignKey("units.id"), primary_key=True),
    Column("looked_on", Date),
    Column("tested_on", Date),
    Column("inspected_on", Date),
    Column("reported_on", Date),
    Column("withdrawn_on", Date),
    Column("used_at", Instant),  # a use that is not yet restored
    Column("fault_on", Date),
    Column("fault", Text, nullable=False, server_default=""),
    Column("battery_low_on", Date),
    Column("battery_empty_on", Date),
    Column("pads_low_on", Date),
    Column("pads_bad_on", Date),
    Column("pads_missing_on", Date),
    Column("ordered", Text, nullable=False, server_default="[]"),  # JSON: [part kind, expected day]
    Column("bad_readings", Text, nullable=False, server_default="[]"),  # JSON: [reading, value, bad since]
    Column("last_used_on", Date),
    Column("uses", Text, nullable=False, server_default="[]"),  # JSON: the fields of reckoning.facts.Use
    Column("out_of_service_on", Date),
    Column("notices", Text, nullable=False, server_default="[]"),  # JSON: [notice, what was recorded, day of that]
    Column("sent_on", Date),  # the last self-test result that the unit sent by itself
    Column("placing", Text, nullable=False, server_default=""),  # JSON of reckoning.facts.Placing; empty: nothing
    Column("pads", Text, nullable=False, server_default="[]"),  # JSON: the fields of reckoning.facts.Pads
)

# Loan units, each in the place of one other, as the log of the two tells it.
loans = Table(
    "loans",
    metadata,
    Column("unit_id", ForeignKey("units.id"), primary_key=True),
    Column("covers_id", ForeignKey("units.id"), primary_key=True, index=True),
    Column("at", Instant, nullable=False),
    Column("since", Date, nullable=False),  # of `at`, at the site
    Column("ended_on", Date),  # the covered unit was returned to service
    Column("over", Boolean, nullable=False, server_default=text("false")),  # the loan unit was moved on
)

# Safety notices in every version that was added; the highest version of each reference is in force.
notices = Table(
    "notices",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("reference", String(40), nullable=False),
    Column("version", Integer, nullable=False),
    Column("file", Text, nullable=False),  # the TOML file as it was given
    Column("added_at", Instant, nullable=False),
    UniqueConstraint("reference", "version"),
)

# What was recorded and is still to be reckoned (`store.marks`): written with the facts, gone with what they led to.
marks = Table(
    "marks",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("holder", String(16), nullable=False, index=True),  # "u12" a unit, "s3" a site, "n2" a notice, "p" everybody
    Column("at", Instant, nullable=False),
)

# `holder` says whose: "u12" a unit, "s3" a site, "p9" a person, whose site is the first of theirs.
# One row a duty, as the last round left it.
duties = Table(
    "duties",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("holder", String(16), nullable=False),
    Column("unit_id", ForeignKey("units.id"), index=True),
    Column("site_id", ForeignKey("sites.id"), nullable=False, index=True),
    Column("key", String(96), nullable=False),  # stable within the holder: "look", "battery/fitted/17"
    Column("kind", String(32), nullable=False),
    Column("subject", Text, nullable=False),
    Column("standing", String(12), nullable=False),
    Column("opens", Date),
    Column("order_by", Date),
    Column("last_good_day", Date, index=True),
    Column("deadline", Instant),
    Column("role", String(16), nullable=False),
    Column("because", Text, nullable=False),  # JSON list, the winner first
    Column("period", String(48), nullable=False),  # what the UID stays the same for
    Column("uid", String(36), nullable=False),
    Column("sequence", Integer, nullable=False, server_default="0"),
    Column("changed_at", Instant, nullable=False),
    Column("revision", Integer, nullable=False, server_default="1"),
    Column("not_recorded_since", Date),  # the day of the round that first found it so; empty in every other standing
    UniqueConstraint("holder", "key"),
    Index("ix_duties_standing", "standing"),
)

conditions = Table(
    "conditions",
    metadata,
    Column("unit_id", ForeignKey("units.id"), primary_key=True),
    Column("condition", String(24), nullable=False, index=True),
    Column("reasons", Text, nullable=False),  # JSON list of sentences
    Column("since", Date, nullable=False),
    Column("reckoned_on", Date, nullable=False),
)

moves = Table(
    "moves",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("at", Instant, nullable=False, index=True),
    Column("on", Date, nullable=False),
    Column("unit_id", ForeignKey("units.id"), index=True),
    Column("site_id", ForeignKey("sites.id"), nullable=False, index=True),
    Column("key", String(96), nullable=False),  # the duty's key, or "condition"
    Column("subject", Text, nullable=False),
    Column("old", Text, nullable=False),  # JSON of what changed; "{}" where the duty is new
    Column("new", Text, nullable=False),  # JSON; "{}" where the duty is gone
)

ledger = Table(
    "ledger",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("zone", String(64), nullable=False),
    Column("on", Date, nullable=False),
    Column("state", String(12), nullable=False),  # running, done, caught up
    Column("holder", String(64), nullable=False, server_default=""),
    Column("lease_until", Instant),
    Column("started_at", Instant, nullable=False),
    Column("finished_at", Instant),
    Column("units", Integer, nullable=False, server_default="0"),
    Column("duties", Integer, nullable=False, server_default="0"),
    Column("moves", Integer, nullable=False, server_default="0"),
    Column("cases_opened", Integer, nullable=False, server_default="0"),
    Column("cases_closed", Integer, nullable=False, server_default="0"),
    Column("findings", Text, nullable=False, server_default="[]"),  # JSON: units set aside, and why
    Column("seconds", Float, nullable=False, server_default="0"),
    UniqueConstraint("zone", "on"),
)

# One row a matter that needs a person; at most one open row a cause. `shared` says what cases of a site have in common
# that may be told as one, `group_id` the case by which this one is told, taken and listed.
cases = Table(
    "cases",
    metadata,
    Column("id", Integer, primary_key=True),
    # "u12/fault", "s3/overdue", "s3/group/overdue/look", "p9/mail", "z/UTC"
    Column("cause", String(80), nullable=False),
    Column("unit_id", ForeignKey("units.id"), index=True),
    Column("site_id", ForeignKey("sites.id"), index=True),  # empty: a matter of no one site
    Column("person_id", ForeignKey("people.id"), index=True),  # whose mail was given up
    Column("zone", String(64), nullable=False, server_default=""),  # whose round was missed
    Column("kind", String(24), nullable=False),  # rounds.causes.KINDS
    Column("severity", String(8), nullable=False),  # urgent, soon, routine
    Column("shared", String(64), nullable=False, server_default=""),  # "overdue/look+test"; empty: always told alone
    Column(
        "group_id",
        # A group is younger than its members: a copy of the table must be allowed to write them before it.
        ForeignKey("cases.id", deferrable=True, initially="DEFERRED"),
        index=True,
    ),
    Column("stale", Boolean, nullable=False, server_default=text("false")),  # a group: its members are others now
    Column("paused", String(12), nullable=False, server_default=""),  # why nobody is told now: closed, unreliable
    Column("paused_until", Date),  # the site's last closed day, where it is known
    Column("state", String(8), nullable=False),  # open, taken, closed
    Column("what", Text, nullable=False),  # JSON list of {subject, last_good_day, reason, rule, force, source}
    Column("opened_on", Date, nullable=False),
    Column("opened_at", Instant, nullable=False),
    Column("found_at_import", Boolean, nullable=False),  # already so when the unit came in
    Column("taken_by", String(64), nullable=False, server_default=""),
    Column("taken_until", Instant),
    Column("closed_at", Instant),
    Index(
        "uq_cases_open_cause",
        "cause",
        unique=True,
        sqlite_where=text("closed_at IS NULL"),
        postgresql_where=text("closed_at IS NULL"),
    ),
)

# What became of a case, in order; never changed afterwards. Written by `rounds.events.record` alone.
case_events = Table(
    "case_events",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("case_id", ForeignKey("cases.id"), nullable=False, index=True),
    Column("at", Instant, nullable=False),
    Column("what", String(16), nullable=False),  # opened, reworded, raised, grouped, taken, told, closed …
    Column("by", String(64), nullable=False, server_default=""),  # person code; empty: the round
    Column("said", Text, nullable=False, server_default=""),
)

# The letter box. States: waiting → sending (leased) → sent | given up. Nothing else.
messages = Table(
    "messages",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("key", String(160), nullable=False, unique=True),  # weekly/P7/2026-W48, escalation/P7/2026-11-25/31/0.1.0
    Column("kind", String(16), nullable=False),  # weekly, escalation, opening, closing, test, sign-in
    Column("person_id", ForeignKey("people.id"), index=True),
    Column("to_address", String(320), nullable=False),
    Column("subject", Text, nullable=False),
    Column("message_id", String(255), nullable=False, unique=True),
    Column("body", LargeBinary, nullable=False),  # the finished message, as it goes on the wire
    Column("urgent", Boolean, nullable=False),
    # Which limit of an hour it counts against (letters.brake.CLASSES); "": by its kind, or none.
    Column("counts_as", String(12), nullable=False, server_default=""),
    Column("created_at", Instant, nullable=False),
    Column("state", String(8), nullable=False),
    Column("tries", Integer, nullable=False, server_default="0"),
    Column("next_try_at", Instant, nullable=False),
    Column("holder", String(64), nullable=False, server_default=""),
    Column("lease_until", Instant),
    Column("sent_at", Instant),
    Column("last_answer", Text, nullable=False, server_default=""),  # the server's last words, or the failure's
    Column("failing_since", Instant),  # the first try that failed, or the first time that no server could be used
    Index("ix_messages_turn", "state", "urgent", "tries", "next_try_at"),  # the order in which letters are claimed
    Index("ix_messages_created_at", "created_at"),  # how many went within the hour
)

# Where a case stands on its ladder (`cases.ladders.Climb`); no row: its first step has not begun.
climbs = Table(
    "climbs",
    metadata,
    Column("case_id", ForeignKey("cases.id"), primary_key=True),
    Column("lap", Integer, nullable=False),
    Column("rung", Integer, nullable=False),  # -1: not begun
    Column("turn", Integer, nullable=False),
    Column("since", Instant, nullable=False),
    Column("at", Instant, nullable=False),
    Column("why", String(8), nullable=False, server_default=""),
    Column("severity", String(8), nullable=False),
    # The lap in which it last began for another reason than that nobody took it: what was told before is told anew.
    Column("fresh", Integer, nullable=False, server_default="0"),
    # Set once everybody who was told of the case has been told that it is closed.
    Column("closing_told", Boolean, nullable=False, server_default=text("false")),
    Index("ix_climbs_closing_told", "closing_told"),
)

# Who was told of which case at which step; the unique row is what keeps any mailbox from being told twice.
# `rung` is -2 for the letter that says the case is closed; rows from before ladders have `lap` -1.
tellings = Table(
    "tellings",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("case_id", ForeignKey("cases.id"), nullable=False),
    Column("person_id", ForeignKey("people.id"), index=True),  # none: an address that a ladder names
    Column("mailbox", String(320), nullable=False),  # the address in lower case
    Column("lap", Integer, nullable=False),
    Column("rung", Integer, nullable=False),
    Column("turn", Integer, nullable=False),
    Column("message_id", ForeignKey("messages.id"), nullable=False, index=True),
    UniqueConstraint("case_id", "mailbox", "lap", "rung", "turn"),
    # Every look asks what was told in the lap that each open case is in; with all that it asks for, lest the unique
    # index be taken for shorter, which holds all laps.
    Index("ix_tellings_case_id_lap", "case_id", "lap", "mailbox", "rung", "turn"),
)

feeds = Table(
    "feeds",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("key_hash", String(64), nullable=False, unique=True),
    Column("scope", String(8), nullable=False),  # person, site, fleet
    Column("person_id", ForeignKey("people.id")),
    Column("site_id", ForeignKey("sites.id")),
    Column("uid", String(36), nullable=False),
    Column("created_at", Instant, nullable=False),
    Column("withdrawn_at", Instant),
)

# What was last served for a feed and kind, so that an unchanged feed is answered without reading events.
feed_states = Table(
    "feed_states",
    metadata,
    Column("feed_id", ForeignKey("feeds.id"), primary_key=True),
    Column("kind", String(8), primary_key=True),  # events, tasks
    Column("version", Integer, nullable=False),  # fleet.version it was built at
    Column("made_with", String(64), nullable=False),  # digest of the settings and release that shape the bytes
    Column("etag", String(64), nullable=False),
    Column("last_modified", Instant, nullable=False),
)

# The bytes of one event as they were given last; made anew when its stamp is another.
events = Table(
    "events",
    metadata,
    Column("duty_id", ForeignKey("duties.id", ondelete="CASCADE"), primary_key=True),
    Column("kind", String(8), primary_key=True),
    Column("stamp", String(96), nullable=False),  # duty's revision, what is said of unit and site, made_with
    Column("body", LargeBinary, nullable=False),
)

# The bytes of a feed's own entry, which says when the round last ran, as they were given last.
sentinels = Table(
    "sentinels",
    metadata,
    Column("feed_id", ForeignKey("feeds.id"), primary_key=True),
    Column("kind", String(8), primary_key=True),  # events, tasks
    Column("body", LargeBinary, nullable=False),
)

# What happened to the service itself: it was away, its clock was set, its rules changed. Everybody may be told.
happenings = Table(
    "happenings",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("at", Instant, nullable=False, index=True),
    Column("kind", String(24), nullable=False),  # see store.happenings.Kind
    Column("said", Text, nullable=False),
    Column("before", Instant),  # since when it lasted, or what the clock said until it was set
)

# The last sign of life of each part of the service, one row a name.
beats = Table(
    "beats",
    metadata,
    Column("name", String(24), primary_key=True),
    Column("at", Instant, nullable=False),
    Column("note", Text, nullable=False, server_default=""),
    Column("turns", Integer, nullable=False, server_default="0"),  # how often the note has changed
)

# Who is signed in. Only a digest of what the browser holds is kept; a session that ended has no row.
sessions = Table(
    "sessions",
    metadata,
    Column("id", Integer, primary_key=True),
    Column("digest", String(64), nullable=False, unique=True),
    Column("person_id", ForeignKey("people.id", ondelete="CASCADE"), nullable=False, index=True),
    Column("mailbox", String(16), nullable=False),  # mark of the e-mail address under which it began
    Column("began_at", Instant, nullable=False),
    Column("ends_at", Instant, nullable=False),  # the last instant at which it is good
    Column("device", Text, nullable=False, server_default=""),  # what the browser said of itself
)

# The digests of sign-in links that were used, until they would have ended by themselves.
used_links = Table(
    "used_links",
    metadata,
    Column("digest", String(64), primary_key=True),
    Column("ends_at", Instant, nullable=False),
)

# The reports of strangers in the last hours: which log entry, and a keyed mark of the network it came from, not the
# address itself. Rows are taken out after a day; the log keeps the entry without them.
strangers_reports = Table(
    "strangers_reports",
    metadata,
    Column("entry_id", ForeignKey("log.id"), primary_key=True, autoincrement=False),
    Column("unit_id", ForeignKey("units.id"), nullable=False),
    Column("at", Instant, nullable=False, index=True),
    Column("source", String(32), nullable=False),
)
