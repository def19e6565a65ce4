"""Every table: its grain, its key and its columns, by name from `columns`.

Tables of the lake are Parquet files; tables of the store are DuckDB tables, of which `results`,
`findings`, `measurements`, `verdicts`, `levels`, `limits` and `runs` only ever grow.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final, Literal

from tasks.tables.columns import COLUMNS

if TYPE_CHECKING:
    from tasks.tables.column import Column

Home = Literal["lake", "store"]
Growth = Literal["replace", "append"]


@dataclass(frozen=True)
class Table:
    """One table.

    `grain` says in words what one row is. `key` names the columns that are unique together.
    `growth` is "append" where rows are never changed or taken away.
    """

    name: str
    home: Home
    grain: str
    columns: tuple[Column, ...]
    key: tuple[str, ...] = ()
    growth: Growth = "replace"

    @property
    def column_names(self) -> tuple[str, ...]:
        """Names in order."""
        return tuple(column.name for column in self.columns)


def _pick(names: str, **renamed: str) -> tuple[Column, ...]:
    """Return the columns called `names`; `renamed` maps a name here to its declared column."""
    return tuple(replace(COLUMNS[renamed.get(name, name)], name=name) for name in names.split())


SAMPLES: Final = Table(
    "samples",
    "lake",
    "one row per sample of one recording, native rate, the device's own clock",
    _pick(
        "time_utc latitude_deg longitude_deg altitude_m distance_m speed_mps heart_rate_bpm "
        "cadence_rpm power_w temperature_degc pressure_pa position_accuracy_m course_deg piece"
    ),
)
LAPS: Final = Table(
    "laps",
    "lake",
    "one row per lap of one recording",
    _pick("lap start_utc end_utc elapsed_s timer_s distance_m trigger"),
)
LENGTHS: Final = Table(
    "lengths",
    "lake",
    "one row per pool length or rest of one recording",
    _pick("length start_utc end_utc elapsed_s length_kind swim_stroke strokes"),
)
BEATS: Final = Table(
    "beats",
    "lake",
    "one row per heart beat of one recording",
    _pick("time_utc rr_s heart_rate_bpm beat_source"),
)
BATTERY: Final = Table(
    "battery",
    "lake",
    "one row per battery reading of one recording",
    _pick("time_utc battery_pct battery_v battery_source battery_of"),
)
EVENTS: Final = Table(
    "events",
    "lake",
    "one row per event of one recording",
    _pick("time_utc event event_kind event_data"),
)
PAIRS: Final = Table(
    "pairs",
    "lake",
    "one row per second, recording and device or consensus that it is compared with, on the "
    "workout's clock",
    _pick(
        "time_utc recording_id device_id reference reference_recording_id "
        "heart_rate_test_bpm heart_rate_reference_bpm heart_rate_is_scored "
        "heart_rate_unscored_because speed_test_mps speed_reference_mps speed_is_scored "
        "speed_unscored_because altitude_test_m altitude_reference_m altitude_is_scored "
        "altitude_unscored_because cadence_test_rpm cadence_reference_rpm power_test_w "
        "power_reference_w"
    ),
)

#: Tables that a recording carries with it, in the order in which they are written.
RECORDING_TABLES: Final = (SAMPLES, LAPS, LENGTHS, BEATS, BATTERY, EVENTS)

FILES: Final = Table(
    "files",
    "store",
    "one row per export ever seen (an archive and each export inside it are rows of their own)",
    _pick(
        "file_id name received_at bytes format status reason recording_id inside folder "
        "n_recordings"
    ),
    key=("file_id",),
)
DEVICES: Final = Table(
    "devices",
    "store",
    "one row per device",
    _pick("device_id name role site heart_rate reference_for claimed_gnss_hours"),
    key=("device_id",),
)
RECORDINGS: Final = Table(
    "recordings",
    "store",
    "one row per recording",
    _pick(
        "recording_id file_id device_id workout_id start_utc end_utc sport sub_sport "
        "device_distance_m device_ascent_m device_descent_m n_samples duplicate_of continues "
        "firmware clock_shift_s status reason creator manufacturer product serial reader "
        "time_basis position_kind altitude_kind pool_length_m local_offset_s known_by remarks "
        "is_excluded excluded_because"
    ),
    key=("recording_id",),
)
WORKOUTS: Final = Table(
    "workouts",
    "store",
    "one row per workout",
    _pick(
        "workout_id start_utc end_utc activity activity_from place surroundings n_devices course "
        "notes_file_id local_offset_s fingerprint note is_excluded excluded_because"
    ),
    key=("workout_id",),
)
ALIGNMENTS: Final = Table(
    "alignments",
    "store",
    "one row per recording in a workout, against the reference timeline",
    _pick(
        "workout_id recording_id offset_s method confidence offset_error_s doubt_s clock "
        "reference_timeline note"
    ),
    key=("workout_id", "recording_id"),
)
SEGMENTS: Final = Table(
    "segments",
    "store",
    "one row per named part of a workout",
    _pick("workout_id segment start_utc end_utc"),
    key=("workout_id", "segment"),
)
SETUPS: Final = Table(
    "setups",
    "store",
    "one row per device, workout and setup key",
    _pick("workout_id device_id key value", value="value_text"),
    key=("workout_id", "device_id", "key"),
)
EXCLUSIONS: Final = Table(
    "exclusions",
    "store",
    "one row per thing that the notes of a workout set aside: a device or, without one, all; a "
    "domain or all; a part of the time or all",
    _pick(
        "workout_id number device_id domain start_utc end_utc because file_id",
        domain="excluded_domain",
        because="excluded_because",
    ),
    key=("workout_id", "number"),
)
METRIC_DEFINITIONS: Final = Table(
    "metric_definitions",
    "store",
    "one row per metric and version",
    _pick(
        "metric version title unit definition formula better source level judged_in",
        level="metric_level",
    ),
    key=("metric", "version"),
)
RESULTS: Final = Table(
    "results",
    "store",
    "one row per value of one metric for one recording, reference and segment; append-only",
    _pick(
        "run_id computed_at workout_id recording_id device_id reference segment metric "
        "metric_version value ci_low ci_high ci_reason n coverage unit reason note "
        "reference_kind reference_rank is_main reference_why reference_uncertainty is_excluded "
        "excluded_because"
    ),
    key=("run_id", "recording_id", "reference", "segment", "metric"),
    growth="append",
)
FINDINGS: Final = Table(
    "findings",
    "store",
    "one row per thing that happened to one recording; append-only",
    _pick(
        "run_id workout_id recording_id device_id reference kind start_utc end_utc size unit "
        "latitude_deg longitude_deg note is_excluded"
    ),
    growth="append",
)
MEASUREMENTS: Final = Table(
    "measurements",
    "store",
    "one row per workout and run whose results or findings differed from those before; append-only",
    _pick("workout_id run_id generation computed_at n_results n_findings"),
    key=("workout_id", "run_id"),
    growth="append",
)
VERDICTS: Final = Table(
    "verdicts",
    "store",
    "one row per question answered across workouts; append-only",
    _pick(
        "run_id device_id against family place activity segment metric domain is_primary is_named "
        "n_workouts n_better n_worse n_tied n_failed n_failed_against left_out level level_against "
        "scale estimate ci_low ci_high p_value p_adjusted alpha n_looks verdict margin "
        "workouts_needed workouts_needed_low unit note model_estimate model_ci_low model_ci_high "
        "model_workouts model_note",
        place="question_place",
    ),
    key=("run_id", "device_id", "against", "family", "place", "activity", "segment", "metric"),
    growth="append",
)
LEVELS: Final = Table(
    "levels",
    "store",
    "one row per device, activity, condition and metric: the values of whole workouts, one each; "
    "append-only",
    _pick(
        "run_id device_id activity condition segment metric counted n_workouts left_out mean "
        "mean_ci_low mean_ci_high median median_ci_low median_ci_high sd unit no_interval note"
    ),
    key=("run_id", "device_id", "activity", "condition", "segment", "metric", "counted"),
    growth="append",
)
LIMITS: Final = Table(
    "limits",
    "store",
    "one row per device, activity and metric whose seconds have limits of agreement across "
    "workouts; append-only",
    _pick(
        "run_id device_id activity metric n_workouts left_out effective_n bias between_sd "
        "within_sd limit_low limit_low_ci_low limit_low_ci_high limit_high limit_high_ci_low "
        "limit_high_ci_high unit no_interval note"
    ),
    key=("run_id", "device_id", "activity", "metric"),
    growth="append",
)
#: What is answered across workouts: a row is taken back by one with no workouts.
ANSWERS: Final = (VERDICTS, LEVELS, LIMITS)
RUNS: Final = Table(
    "runs",
    "store",
    "one row per pipeline run; append-only",
    _pick(
        "run_id started_at ended_at flow version settings_hash status", version="software_version"
    ),
    key=("run_id",),
    growth="append",
)
NOTES: Final = Table(
    "notes",
    "store",
    "one row per notes file that was accepted, with the first start in it; the newest for a "
    "workout applies",
    _pick("file_id name received_at start_utc notes_text"),
    key=("file_id",),
)
PLAN: Final = Table(
    "plan",
    "store",
    "one row per item of the test's plan as it is now",
    _pick(
        "plan_id item name value number activity place since",
        name="item_name",
        value="item_value",
        number="item_number",
    ),
    key=("item", "name"),
)
PLAN_HISTORY: Final = Table(
    "plan_history",
    "store",
    "one row per plan that was taken up, and the instant",
    _pick("plan_id archived_at plan_text"),
    key=("plan_id", "archived_at"),
)

STORE_TABLES: Final = (
    FILES,
    DEVICES,
    RECORDINGS,
    WORKOUTS,
    ALIGNMENTS,
    SEGMENTS,
    SETUPS,
    EXCLUSIONS,
    METRIC_DEFINITIONS,
    RESULTS,
    FINDINGS,
    MEASUREMENTS,
    *ANSWERS,
    RUNS,
    NOTES,
    PLAN,
    PLAN_HISTORY,
)
LAKE_TABLES: Final = (*RECORDING_TABLES, PAIRS)
TABLES: Final = {table.name: table for table in (*STORE_TABLES, *LAKE_TABLES)}
