"""Every column that a table may have, declared once: name, type, unit, meaning, plausible range.

The Arrow schemas, the DDL with its comments, the data dictionary in `config/reference/`, the bounds
that `normalise` applies and the checks on write all come from here.
"""

from __future__ import annotations

from typing import Final, get_args

from tasks.core.registers import Level, ReferenceKind
from tasks.tables.answer_columns import ANSWER_COLUMNS, SURROUNDINGS
from tasks.tables.column import (
    Column,
    make_float,
    make_instant,
    make_integer,
    make_text,
)

#: What a device may be in a test.
ROLES: Final = ("test", "predecessor", "reference", "peer")


def _describe_scored(channel: str) -> tuple[Column, Column]:
    """Return whether the metrics of a channel count a second, and why they do not."""
    words = channel.replace("_", " ")
    return (
        Column(
            f"{channel}_is_scored",
            "boolean",
            f"Whether the second counts in the metrics of {words} against this reference, over the "
            "whole workout",
        ),
        make_text(f"{channel}_unscored_because", f"Why the second does not count in {words}"),
    )


_ALL: Final = (
    # --- keys -------------------------------------------------------------------------------
    make_text("file_id", "SHA-256 of the export's bytes, in hexadecimal"),
    make_text("recording_id", "Key of one recording: what one export says of one activity"),
    make_text(
        "reference_recording_id",
        "Recording that the test recording is compared with; null for a consensus",
    ),
    make_text("workout_id", "Key of one workout, recorded by one or more devices at once"),
    make_text("device_id", "Key of one physical unit, as in devices.toml"),
    make_text("run_id", "Key of the pipeline run that made this row"),
    # --- samples ----------------------------------------------------------------------------
    make_instant("time_utc", "Instant of the row"),
    make_float("latitude_deg", "deg", "Latitude, WGS 84", -90.0, 90.0),
    make_float("longitude_deg", "deg", "Longitude, WGS 84, from -180 to below 180", -180.0, 180.0),
    make_float("altitude_m", "m", "Altitude as the device gives it", -500.0, 9000.0),
    # 1,000 km is beyond any single workout that is judged here (common practice, no source).
    make_float(
        "distance_m", "m", "Distance since the start, as the device counts it", 0.0, 1_000_000.0
    ),
    # 45 m/s is 162 km/h, beyond the fastest road descents (common practice, no source).
    make_float("speed_mps", "m/s", "Speed as the device gives it", 0.0, 45.0),
    # 20 to 255: a byte's range above what a living heart does (common practice, no source).
    make_float("heart_rate_bpm", "bpm", "Heart rate as the device shows it", 20.0, 255.0),
    make_float(
        "cadence_rpm",
        "rpm",
        "Crank revolutions, strides (two steps) or stroke cycles per minute",
        0.0,
        254.0,
    ),
    make_float("power_w", "W", "Mechanical power", 0.0, 4000.0),
    make_float("temperature_degc", "degC", "Temperature at the device", -60.0, 80.0),
    make_float("pressure_pa", "Pa", "Absolute air pressure", 30_000.0, 110_000.0),
    make_float(
        "position_accuracy_m", "m", "The device's own estimate of its position error", 0.0, 10_000.0
    ),
    make_float("course_deg", "deg", "Direction of travel, clockwise from north", 0.0, 360.0),
    make_integer("piece", "Number of the uninterrupted piece that the sample belongs to, from 0"),
    # --- laps and lengths -------------------------------------------------------------------
    make_integer("lap", "Number of the lap, from 0"),
    make_integer("length", "Number of the pool length, from 0"),
    make_instant("start_utc", "First instant"),
    make_instant("end_utc", "Last instant"),
    make_float("elapsed_s", "s", "Time from start to end, pauses included", 0.0),
    make_float("timer_s", "s", "Time that the device's timer ran, pauses excluded", 0.0),
    make_text("trigger", "What began the next lap: manual, distance, position, session end"),
    make_text("swim_stroke", "Stroke that the device recognised, or drill"),
    make_integer("strokes", "Strokes counted in the length"),
    make_text("length_kind", "active (swum) or idle (rest at the wall)"),
    # --- beats ------------------------------------------------------------------------------
    make_float("rr_s", "s", "Time from the previous heart beat to this one", 0.0, 65.0),
    make_text(
        "beat_source",
        "hrv (live from the strap), hr (stored in the strap, sent later), csv, or ecg (found in an "
        "electrocardiogram)",
    ),
    # --- battery ----------------------------------------------------------------------------
    make_float("battery_pct", "pct", "Level that the device reports", 0.0, 100.0),
    make_float("battery_v", "V", "Voltage that the device reports", 0.0, 20.0),
    make_text("battery_source", "Message or field that the reading comes from"),
    make_text("battery_of", "recorder (the device itself) or the name of a paired sensor"),
    # --- events -----------------------------------------------------------------------------
    make_text("event", "What happened, e.g. timer"),
    make_text("event_kind", "start, stop, stop_all, marker"),
    make_text("event_data", "What came with the event, as text"),
    # --- files ------------------------------------------------------------------------------
    make_text("name", "Name that a person knows it by"),
    make_instant("received_at", "When the export was taken in"),
    make_integer("bytes", "Size", "byte"),
    make_text("format", "Name of the reader, or notes, zip or gzip"),
    make_text("status", "How it ended"),
    make_text("reason", "Why it was refused or is partial, in one line"),
    make_text("inside", "file_id of the archive that it came in"),
    make_text("folder", "Sub-folder of the inbox, taken as a device hint"),
    make_integer("n_recordings", "Recordings found in it", "count"),
    # --- devices ----------------------------------------------------------------------------
    make_text("role", "test, predecessor, reference or peer", words=ROLES),
    make_text("site", "Where it is worn: wrist, chest, arm, handlebar, foot, pocket, other"),
    make_text("heart_rate", "How it measures heart rate: ecg, optical or none"),
    make_float("claimed_gnss_hours", "h", "Battery life with GNSS that the maker claims", 0.0),
    make_text("known_by", "Rule that named the device: serial, folder, filename, creator or none"),
    make_text("reference_for", "Channels it is a reference of, comma-separated; null: of none"),
    # --- recordings -------------------------------------------------------------------------
    make_text("sport", "Activity as the export names it, in our words"),
    make_text("sub_sport", "Finer activity as the export names it"),
    make_float("device_distance_m", "m", "The device's own total distance", 0.0),
    make_float("device_ascent_m", "m", "The device's own total ascent", 0.0),
    make_float("device_descent_m", "m", "The device's own total descent", 0.0),
    make_integer("n_samples", "Rows in samples", "count"),
    make_text("duplicate_of", "Richer recording of the same unit and time that is used instead"),
    make_text(
        "continues", "Earlier recording of the same unit that this one continues after a gap"
    ),
    make_text("firmware", "Firmware version"),
    make_text("creator", "Name that the export gives its maker"),
    make_text("manufacturer", "Maker, as text or as its FIT number"),
    make_text("product", "Product, as text or as its FIT number"),
    make_text("serial", "Serial number of the unit"),
    make_text("reader", "What read the bytes, with its version"),
    make_text(
        "time_basis",
        "utc, zone (naive, zone stated), notes (naive, offset theirs), elapsed (we placed it)",
    ),
    make_text("position_kind", "gnss, virtual or none"),
    make_text("altitude_kind", "barometric, gnss or unknown"),
    make_float("pool_length_m", "m", "Length of the pool that the device was set to", 0.0),
    make_float("clock_shift_s", "s", "Whole quarter hours added to a wrong clock"),
    make_integer("local_offset_s", "Local time minus UTC, as the device knew it", "s"),
    make_text("remarks", "What was noticed while reading and normalising, one remark per line"),
    # --- workouts ---------------------------------------------------------------------------
    make_text("activity", "Activity: from the notes, else the files, else inferred"),
    make_text("activity_from", "notes, file or inferred"),
    make_text("place", "outdoors, treadmill, trainer, pool, gym or track"),
    make_text(
        "surroundings",
        "outdoors (also a track) or indoors (treadmill, trainer, pool, gym); null where neither "
        "notes nor files say",
        words=SURROUNDINGS,
    ),
    make_integer("n_devices", "Devices that recorded it", "count"),
    make_text("course", "Course file named in the notes"),
    make_text("fingerprint", "Hash of everything that the newest results depend on"),
    make_text("notes_file_id", "file_id of the notes that apply"),
    # --- alignments -------------------------------------------------------------------------
    make_text("reference_timeline", "recording_id whose clock is the workout's clock"),
    make_float("offset_s", "s", "What is added to the recording's times"),
    make_text("method", "What the clock offset was found from"),
    make_float("confidence", "1", "From 0 (guess) to 1 (certain)", 0.0, 1.0),
    make_float("offset_error_s", "s", "Standard error of the offset; null where it is unknown"),
    make_float("doubt_s", "s", "Offset that much speaks for and that was not applied"),
    make_text(
        "clock", "How well the clock is known, in words: sure, +-N s, not compared, in doubt"
    ),
    make_text("note", "What a reader must know about it"),
    # --- segments and setups ----------------------------------------------------------------
    make_text("segment", "all, after_lock, band:<name>, rising, steady, falling, or a named part"),
    make_text("key", "Setup key"),
    make_text("excluded_domain", "Domain of metrics that is set aside; null: every one"),
    make_integer("number", "Which of several, from 1"),
    make_text("value_text", "Setup value as text"),
    # --- metrics and results ----------------------------------------------------------------
    make_text("metric", "Metric id; its unit is its ending"),
    make_integer("version", "Version of the metric; goes up when its values can change"),
    make_integer("metric_version", "Version of the metric that gave the value"),
    make_text("title", "Plain name"),
    make_text("unit", "Unit of the value"),
    make_text("definition", "What the number is, and what it does not tell"),
    make_text("formula", "Formula in one line"),
    make_text(
        "better", "lower, higher, zero (nearer to it is better) or none (no better or worse)"
    ),
    make_text(
        "metric_level",
        "primary (may make a headline), compared (details of verdicts) or diagnostic (explains)",
        words=get_args(Level),
    ),
    make_text("judged_in", "Segment in which verdicts judge it"),
    make_text("source", "Where the definition comes from"),
    make_instant("computed_at", "When the value was computed"),
    make_text(
        "reference", "Device id, truth, course:<name>, consensus, or null where none is needed"
    ),
    make_text(
        "reference_kind",
        "truth, course, device (a reference device of this channel), consensus, or comparison: a "
        "device that is no reference, so that a difference from it is no error; null where none "
        "is needed",
        words=get_args(ReferenceKind),
    ),
    make_integer(
        "reference_rank", "Place of the reference among those of this value, the best is 1"
    ),
    Column(
        "is_main",
        "boolean",
        "True for the one value that counts of a recording, segment and metric: against the best "
        "reference that gave one; never for an error against a device that is no reference",
    ),
    Column("is_excluded", "boolean", "True for what the notes set aside: no verdict rests on it"),
    make_text("excluded_because", "Why the notes set it aside, or parts of it; null: nothing is"),
    make_text("reference_why", "Why this reference, in words"),
    make_float(
        "reference_uncertainty",
        "bpm, m or m/s",
        "What the reference itself may be off by, in the unit of the channel compared; null where "
        "nobody knows",
        0.0,
    ),
    make_float("value", "see unit", "The value; null where reason says why"),
    make_float(
        "ci_low",
        "see unit",
        "Lower end of the 95 % interval, or a worst case where the metric says so",
    ),
    make_float("ci_high", "see unit", "Upper end of the 95 % interval, or of the worst case"),
    make_text(
        "ci_reason",
        "Why an end of the interval is null, of metrics that bear one; null beside a null value",
    ),
    make_integer("n", "What the value rests on: seconds compared, or things counted", "count"),
    make_float(
        "coverage", "1", "Compared seconds / seconds in which the reference had a value", 0.0, 1.0
    ),
    # --- findings ---------------------------------------------------------------------------
    # --- plan -------------------------------------------------------------------------------
    make_text("plan_id", "SHA-256 of what a plan says; comments and spacing change nothing"),
    make_instant("archived_at", "When this plan was first seen by a run"),
    make_text("plan_text", "The plan as it stood in plan.toml"),
    make_text(
        "item",
        "What is planned",
        words=(
            "device",
            "against",
            "workouts",
            "begin",
            "end",
            "horizon",
            "margin",
            "wanted",
            "balance",
        ),
    ),
    make_text(
        "item_name", "Metric, setup key, device id or number of the item; empty where it is one"
    ),
    make_text("item_value", "What was set, as text"),
    make_float("item_number", "see item", "What was set, as a number; null where it is none"),
    make_instant("since", "Since when the item has been planned as it is now"),
    Column("kind", "text", "Kind of finding", is_finding_kind=True),
    make_float("size", "see unit", "Size, signed: test minus reference"),
    *ANSWER_COLUMNS,
    # --- runs -------------------------------------------------------------------------------
    make_instant("started_at", "When the run began"),
    make_instant("ended_at", "When the run ended"),
    make_text("flow", "drop, nightly or rebuild"),
    make_text("software_version", "Version of coworn"),
    make_text("settings_hash", "Hash of the settings that values depend on"),
    # --- measurements -----------------------------------------------------------------------
    make_integer("generation", "Counts the measurements of one workout that differed, from 1"),
    make_integer("n_results", "Rows that the measurement added to results", "count"),
    make_integer("n_findings", "Rows that the measurement added to findings", "count"),
    # --- notes ------------------------------------------------------------------------------
    make_text("notes_text", "The notes as they were dropped"),
    # --- pairs ------------------------------------------------------------------------------
    make_float("heart_rate_test_bpm", "bpm", "Heart rate that the device shows"),
    make_float(
        "heart_rate_reference_bpm",
        "bpm",
        "Heart rate that is the reference: a strap's corrected beats in a centred window where it "
        "has them, else what it shows",
    ),
    *_describe_scored("heart_rate"),
    make_float("speed_test_mps", "m/s", "Speed of the test recording"),
    make_float("speed_reference_mps", "m/s", "Speed of the reference"),
    *_describe_scored("speed"),
    make_float("altitude_test_m", "m", "Altitude of the test recording"),
    make_float("altitude_reference_m", "m", "Altitude of the reference"),
    *_describe_scored("altitude"),
    make_float("cadence_test_rpm", "rpm", "Cadence of the test recording"),
    make_float("cadence_reference_rpm", "rpm", "Cadence of the reference"),
    make_float("power_test_w", "W", "Power of the test recording"),
    make_float("power_reference_w", "W", "Power of the reference"),
)

#: Every declared column by its name.
COLUMNS: Final = {column.name: column for column in _ALL}

if len(COLUMNS) != len(_ALL):
    names = [column.name for column in _ALL]
    twice = sorted({name for name in names if names.count(name) > 1})
    raise RuntimeError(f"columns declared twice: {', '.join(twice)}")
