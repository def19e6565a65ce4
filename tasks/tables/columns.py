"""Every column that a table may have, declared once: name, type, unit, meaning, plausible range.

The Arrow schemas, the DDL with its comments, the data dictionary in `config/reference/`, the bounds
that `normalise` applies and the checks on write all come from here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal, get_args

from tasks.core.registers import ReferenceKind

Kind = Literal["float", "integer", "text", "boolean", "instant"]

#: What a device may be in a test.
ROLES: Final = ("test", "predecessor", "reference", "peer")
#: What may happen to a recording; each has a detector of its own.
FINDING_KINDS: Final = (
    "altitude_jump",
    "battery_contradiction",
    "battery_range",
    "biased_stretch",
    "cadence_lock",
    "cut_corner",
    "dropout",
    "false_pause",
    "frozen",
    "late_lock",
    "missed_rise",
    "position_gap",
    "position_jump",
    "references_disagree",
    "spike",
    "stroke_misread",
)
#: What may be said across workouts.
VERDICTS: Final = (
    "better",
    "worse",
    "leans better",
    "leans worse",
    "alike",
    "unclear",
    "too few",
)


@dataclass(frozen=True)
class Column:
    """One column.

    `low` and `high` are the plausible range, both ends included; a sample outside is set to
    missing and counted. They are None where every value is possible. `words` are all that a text
    may be, none where anything is; the store refuses others.
    """

    name: str
    kind: Kind
    meaning: str
    unit: str | None = None
    low: float | None = None
    high: float | None = None
    words: tuple[str, ...] = ()

    @property
    def comment(self) -> str:
        """The sentence that goes into the database: meaning, then unit."""
        return f"{self.meaning} [{self.unit}]" if self.unit else self.meaning


def _float(
    name: str, unit: str, meaning: str, low: float | None = None, high: float | None = None
) -> Column:
    return Column(name, "float", meaning, unit, low, high)


def _integer(name: str, meaning: str, unit: str | None = None) -> Column:
    return Column(name, "integer", meaning, unit)


def _text(name: str, meaning: str, *, words: tuple[str, ...] = ()) -> Column:
    return Column(name, "text", meaning, words=words)


def _instant(name: str, meaning: str) -> Column:
    return Column(name, "instant", meaning, "UTC")


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
        _text(f"{channel}_unscored_because", f"Why the second does not count in {words}"),
    )


_ALL: Final = (
    # --- keys -------------------------------------------------------------------------------
    _text("file_id", "SHA-256 of the export's bytes, in hexadecimal"),
    _text("recording_id", "Key of one recording: what one export says of one activity"),
    _text(
        "reference_recording_id",
        "Recording that the test recording is compared with; null for a consensus",
    ),
    _text("workout_id", "Key of one bout of exercise, recorded by one or more devices at once"),
    _text("device_id", "Key of one physical unit, as in devices.toml"),
    _text("run_id", "Key of the pipeline run that made this row"),
    # --- samples ----------------------------------------------------------------------------
    _instant("time_utc", "Instant of the row"),
    _float("latitude_deg", "deg", "Latitude, WGS 84", -90.0, 90.0),
    _float("longitude_deg", "deg", "Longitude, WGS 84, from -180 to below 180", -180.0, 180.0),
    _float("altitude_m", "m", "Altitude as the device gives it", -500.0, 9000.0),
    # 1,000 km is beyond any single bout that is judged here (common practice, no source).
    _float(
        "distance_m", "m", "Distance since the start, as the device counts it", 0.0, 1_000_000.0
    ),
    # 45 m/s is 162 km/h, beyond the fastest road descents (common practice, no source).
    _float("speed_mps", "m/s", "Speed as the device gives it", 0.0, 45.0),
    # 20 to 255: a byte's range above what a living heart does (common practice, no source).
    _float("heart_rate_bpm", "bpm", "Heart rate as the device shows it", 20.0, 255.0),
    _float(
        "cadence_rpm",
        "rpm",
        "Crank revolutions, strides (two steps) or stroke cycles per minute",
        0.0,
        254.0,
    ),
    _float("power_w", "W", "Mechanical power", 0.0, 4000.0),
    _float("temperature_degc", "degC", "Temperature at the device", -60.0, 80.0),
    _float("pressure_pa", "Pa", "Absolute air pressure", 30_000.0, 110_000.0),
    _float(
        "position_accuracy_m", "m", "The device's own estimate of its position error", 0.0, 10_000.0
    ),
    _float("course_deg", "deg", "Direction of travel, clockwise from north", 0.0, 360.0),
    _integer("piece", "Number of the uninterrupted piece that the sample belongs to, from 0"),
    # --- laps and lengths -------------------------------------------------------------------
    _integer("lap", "Number of the lap, from 0"),
    _integer("length", "Number of the pool length, from 0"),
    _instant("start_utc", "First instant"),
    _instant("end_utc", "Last instant"),
    _float("elapsed_s", "s", "Time from start to end, pauses included", 0.0),
    _float("timer_s", "s", "Time that the device's timer ran, pauses excluded", 0.0),
    _text("trigger", "What began the next lap: manual, distance, position, session end"),
    _text("swim_stroke", "Stroke that the device recognised, or drill"),
    _integer("strokes", "Strokes counted in the length"),
    _text("length_kind", "active (swum) or idle (rest at the wall)"),
    # --- beats ------------------------------------------------------------------------------
    _float("rr_s", "s", "Time from the previous heart beat to this one", 0.0, 65.0),
    _text(
        "beat_source", "hrv (live from the strap) or hr (stored in the strap, sent later) or csv"
    ),
    # --- battery ----------------------------------------------------------------------------
    _float("battery_pct", "pct", "Level that the device reports", 0.0, 100.0),
    _float("battery_v", "V", "Voltage that the device reports", 0.0, 20.0),
    _text("battery_source", "Message or field that the reading comes from"),
    _text("battery_of", "recorder (the device itself) or the name of a paired sensor"),
    # --- events -----------------------------------------------------------------------------
    _text("event", "What happened, e.g. timer"),
    _text("event_kind", "start, stop, stop_all, marker"),
    _text("event_data", "What came with the event, as text"),
    # --- files ------------------------------------------------------------------------------
    _text("name", "Name that a person knows it by"),
    _instant("received_at", "When the export was taken in"),
    _integer("bytes", "Size", "byte"),
    _text("format", "fit, gpx, tcx, csv, notes, zip or gzip"),
    _text("status", "How it ended"),
    _text("reason", "Why it was refused or is partial, in one line"),
    _text("inside", "file_id of the archive that it came in"),
    _text("folder", "Sub-folder of the inbox, taken as a device hint"),
    _integer("n_recordings", "Recordings found in it", "count"),
    # --- devices ----------------------------------------------------------------------------
    _text("role", "test, predecessor, reference or peer", words=ROLES),
    _text("site", "Where it is worn: wrist, chest, arm, handlebar, foot, pocket, other"),
    _text("heart_rate", "How it measures heart rate: ecg, optical or none"),
    _float("claimed_gnss_hours", "h", "Battery life with GNSS that the maker claims", 0.0),
    _text("known_by", "Rule that named the device: serial, folder, filename, creator or none"),
    _text("reference_for", "Channels it is a reference of, comma-separated; null: of none"),
    # --- recordings -------------------------------------------------------------------------
    _text("sport", "Activity as the export names it, in our words"),
    _text("sub_sport", "Finer activity as the export names it"),
    _float("device_distance_m", "m", "The device's own total distance", 0.0),
    _float("device_ascent_m", "m", "The device's own total ascent", 0.0),
    _float("device_descent_m", "m", "The device's own total descent", 0.0),
    _integer("n_samples", "Rows in samples", "count"),
    _text("duplicate_of", "Richer recording of the same unit and time that is used instead"),
    _text("continues", "Earlier recording of the same unit that this one continues after a gap"),
    _text("firmware", "Firmware version"),
    _text("creator", "Name that the export gives its maker"),
    _text("manufacturer", "Maker, as text or as its FIT number"),
    _text("product", "Product, as text or as its FIT number"),
    _text("serial", "Serial number of the unit"),
    _text("reader", "What read the bytes, with its version"),
    _text(
        "time_basis",
        "utc, zone (naive, zone stated), notes (naive, offset theirs), elapsed (we placed it)",
    ),
    _text("position_kind", "gnss, virtual or none"),
    _text("altitude_kind", "barometric, gnss or unknown"),
    _float("pool_length_m", "m", "Length of the pool that the device was set to", 0.0),
    _float("clock_shift_s", "s", "Whole quarter hours added to a wrong clock"),
    _integer("local_offset_s", "Local time minus UTC, as the device knew it", "s"),
    _text("remarks", "What was noticed while reading and normalising, one remark per line"),
    # --- workouts ---------------------------------------------------------------------------
    _text("activity", "Activity: from the notes, else the files, else inferred"),
    _text("activity_from", "notes, file or inferred"),
    _text("place", "outdoors, treadmill, trainer, pool, gym or track"),
    _integer("n_devices", "Devices that recorded it", "count"),
    _text("course", "Course file named in the notes"),
    _text("fingerprint", "Hash of everything that the newest results depend on"),
    _text("notes_file_id", "file_id of the notes that apply"),
    # --- alignments -------------------------------------------------------------------------
    _text("reference_timeline", "recording_id whose clock is the workout's clock"),
    _float("offset_s", "s", "What is added to the recording's times"),
    _text("method", "What the clock offset was found from"),
    _float("confidence", "1", "From 0 (guess) to 1 (certain)", 0.0, 1.0),
    _float("offset_error_s", "s", "Standard error of the offset; null where it is unknown"),
    _float("doubt_s", "s", "Offset that much speaks for and that was not applied"),
    _text("clock", "How well the clock is known, in words: sure, +-N s, not compared, in doubt"),
    _text("note", "What a reader must know about it"),
    # --- segments and setups ----------------------------------------------------------------
    _text("segment", "all, after_lock, band:<name>, rising, steady, falling, or a named part"),
    _text("key", "Setup key"),
    _text("value_text", "Setup value as text"),
    # --- metrics and results ----------------------------------------------------------------
    _text("metric", "Metric id; its unit is its ending"),
    _integer("version", "Version of the metric; goes up when its values can change"),
    _integer("metric_version", "Version of the metric that gave the value"),
    _text("title", "Plain name"),
    _text("unit", "Unit of the value"),
    _text("definition", "What the number is, and what it does not tell"),
    _text("formula", "Formula in one line"),
    _text("better", "lower, higher, zero (nearer to it is better) or none (no better or worse)"),
    _text("source", "Where the definition comes from"),
    _instant("computed_at", "When the value was computed"),
    _text("reference", "Device id, truth, course:<name>, consensus, or null where none is needed"),
    _text(
        "reference_kind",
        "truth, course, device (a reference device of this channel), consensus, or comparison: a "
        "device that is no reference, so that a difference from it is no error; null where none "
        "is needed",
        words=get_args(ReferenceKind),
    ),
    _integer("reference_rank", "Place of the reference among those of this value, the best is 1"),
    Column(
        "is_main",
        "boolean",
        "True for the one value that counts of a recording, segment and metric: against the best "
        "reference that gave one; never for an error against a device that is no reference",
    ),
    _text("reference_why", "Why this reference, in words"),
    _float(
        "reference_uncertainty",
        "bpm, m or m/s",
        "What the reference itself may be off by, in the unit of the channel compared; null where "
        "nobody knows",
        0.0,
    ),
    _float("value", "see unit", "The value; null where reason says why"),
    _float(
        "ci_low",
        "see unit",
        "Lower end of the 95 % interval, or a worst case where the metric says so",
    ),
    _float("ci_high", "see unit", "Upper end of the 95 % interval, or of the worst case"),
    _text(
        "ci_reason",
        "Why an end of the interval is null, of metrics that bear one; null beside a null value",
    ),
    _integer("n", "What the value rests on: seconds compared, or things counted", "count"),
    _float(
        "coverage", "1", "Compared seconds / seconds in which the reference had a value", 0.0, 1.0
    ),
    # --- findings ---------------------------------------------------------------------------
    _text("kind", "Kind of finding", words=FINDING_KINDS),
    _float("size", "see unit", "Size, signed: test minus reference"),
    # --- verdicts ---------------------------------------------------------------------------
    _text("against", "Device id, criterion, or two conditions of one setup key"),
    _integer("n_workouts", "Workouts that it rests on", "count"),
    _float("estimate", "see unit", "Hodges-Lehmann estimate of the difference or level"),
    _float("p_value", "1", "Two-sided exact p value", 0.0, 1.0),
    _float("p_adjusted", "1", "p value after Holm's adjustment over the family", 0.0, 1.0),
    _text(
        "verdict",
        "better, worse, alike (within the margin), unclear, or too few; better than a criterion "
        "means that it is met",
        words=VERDICTS,
    ),
    _integer(
        "workouts_needed",
        "How many workouts in all would settle it, if the next ones are like these",
        "count",
    ),
    _float(
        "margin", "see unit", "Difference that does not matter, set before looking; or null", 0.0
    ),
    _float(
        "model_estimate",
        "see unit",
        "Difference by a model of all workouts, also those that only one of the two devices "
        "recorded (random intercept per workout, REML); the verdict does not rest on it",
    ),
    _float("model_ci_low", "see unit", "Lower end of the 95 % interval of model_estimate"),
    _float("model_ci_high", "see unit", "Upper end of the 95 % interval of model_estimate"),
    _integer("model_workouts", "Workouts that the model rests on", "count"),
    _text(
        "model_note",
        "What the model rests on, or why there is none; null where two devices are not compared",
    ),
    # --- plan -------------------------------------------------------------------------------
    _text("plan_id", "SHA-256 of what a plan says; comments and spacing change nothing"),
    _instant("archived_at", "When this plan was first seen by a run"),
    _text("plan_text", "The plan as it stood in plan.toml"),
    _text(
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
    _text("item_name", "Metric, setup key, device id or number of the item; empty where it is one"),
    _text("item_value", "What was set, as text"),
    _float("item_number", "see item", "What was set, as a number; null where it is none"),
    _instant("since", "Since when the item has been planned as it is now"),
    # --- levels -----------------------------------------------------------------------------
    _text("condition", "all, or setup key and value that the workouts share, e.g. wrist: left"),
    _text("counted", "value, or size (the value without its sign, as verdicts compare it)"),
    _integer("left_out", "Workouts left out, for want of a value", "count"),
    _float("mean", "see unit", "Mean of the workouts' values"),
    _float(
        "mean_ci_low",
        "see unit",
        "Lower end of the 95 % interval of the mean (BCa bootstrap of workouts, widened for few)",
    ),
    _float("mean_ci_high", "see unit", "Upper end of the 95 % interval of the mean"),
    _float("median", "see unit", "Median of the workouts' values"),
    _float(
        "median_ci_low",
        "see unit",
        "Lower end of the interval of the median, of at least 95 % (order statistics)",
    ),
    _float("median_ci_high", "see unit", "Upper end of the interval of the median"),
    _float("sd", "see unit", "Standard deviation of the workouts' values", 0.0),
    _text("no_interval", "Why an interval or a limit is null"),
    # --- limits -----------------------------------------------------------------------------
    _float("effective_n", "1", "Independent seconds that the compared ones are worth in all", 0.0),
    _float("bias", "see unit", "Mean of the workouts' mean differences, each counting alike"),
    _float("between_sd", "see unit", "Standard deviation of the workouts' mean differences", 0.0),
    _float("within_sd", "see unit", "Standard deviation of the seconds inside a workout", 0.0),
    _float(
        "limit_low",
        "see unit",
        "Lower limit of agreement: 2.5 % of the seconds of any workout differ by less, if "
        "differences scatter normally",
    ),
    _float("limit_low_ci_low", "see unit", "Lower end of the 95 % interval of limit_low"),
    _float("limit_low_ci_high", "see unit", "Upper end of the 95 % interval of limit_low"),
    _float("limit_high", "see unit", "Upper limit of agreement: 2.5 % differ by more"),
    _float("limit_high_ci_low", "see unit", "Lower end of the 95 % interval of limit_high"),
    _float("limit_high_ci_high", "see unit", "Upper end of the 95 % interval of limit_high"),
    # --- runs -------------------------------------------------------------------------------
    _instant("started_at", "When the run began"),
    _instant("ended_at", "When the run ended"),
    _text("flow", "drop, nightly or rebuild"),
    _text("software_version", "Version of coworn"),
    _text("settings_hash", "Hash of the settings that values depend on"),
    # --- measurements -----------------------------------------------------------------------
    _integer("generation", "Counts the measurements of one workout that differed, from 1"),
    _integer("n_results", "Rows that the measurement added to results", "count"),
    _integer("n_findings", "Rows that the measurement added to findings", "count"),
    # --- notes ------------------------------------------------------------------------------
    _text("notes_text", "The notes as they were dropped"),
    # --- pairs ------------------------------------------------------------------------------
    _float("heart_rate_test_bpm", "bpm", "Heart rate that the device shows"),
    _float(
        "heart_rate_reference_bpm",
        "bpm",
        "Heart rate that is the reference: a strap's corrected beats in a centred window where it "
        "has them, else what it shows",
    ),
    *_describe_scored("heart_rate"),
    _float("speed_test_mps", "m/s", "Speed of the test recording"),
    _float("speed_reference_mps", "m/s", "Speed of the reference"),
    *_describe_scored("speed"),
    _float("altitude_test_m", "m", "Altitude of the test recording"),
    _float("altitude_reference_m", "m", "Altitude of the reference"),
    *_describe_scored("altitude"),
    _float("cadence_test_rpm", "rpm", "Cadence of the test recording"),
    _float("cadence_reference_rpm", "rpm", "Cadence of the reference"),
    _float("power_test_w", "W", "Power of the test recording"),
    _float("power_reference_w", "W", "Power of the reference"),
)

#: Every declared column by its name.
COLUMNS: Final = {column.name: column for column in _ALL}

if len(COLUMNS) != len(_ALL):
    names = [column.name for column in _ALL]
    twice = sorted({name for name in names if names.count(name) > 1})
    raise RuntimeError(f"columns declared twice: {', '.join(twice)}")
