"""The registers: readers, metrics, findings and charts. Adding one is adding a decorated function.

Nothing here lists its members; `core.discovery` imports the files that hold them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final, Literal, TypeVar, get_args

if TYPE_CHECKING:
    from pathlib import Path

    from tasks.core.recording import ExportFile, Recording
    from tasks.core.zones import Zone

Better = Literal["lower", "higher", "zero", "none"]
#: What a metric is compared with. "nothing": the recording alone; "lengths" and "battery": every
#: other device whose tables hold them, and for lengths the truth of the notes before those.
Against = Literal[
    "nothing",
    "heart_rate",
    "position",
    "speed",
    "distance",
    "altitude",
    "truth",
    "lengths",
    "battery",
]
#: What a reference is. "device" is one that is a reference of that channel; "comparison" is another
#: device that is none, so that a difference from it is no error of either.
ReferenceKind = Literal["truth", "course", "device", "consensus", "comparison"]
#: What a metric is for in verdicts: `primary` ones make the headline, `compared` ones its details;
#: `diagnostic` ones explain, and are never judged unless settings or a plan give them a margin.
Level = Literal["primary", "compared", "diagnostic"]
#: Views of the database, one column per metric.
Domain = Literal[
    "heart_rate",
    "track",
    "distance",
    "indoor",
    "elevation",
    "detection",
    "swimming",
    "battery",
]


# --- readers ----------------------------------------------------------------------------------
@dataclass(frozen=True)
class ReadOptions:
    """What a reader may need beyond the bytes.

    `zone` is that of naive times: the IANA name of the settings, else the offset of the notes,
    None when nobody said; what a layout names goes before it.
    `layout_folders` hold CSV layouts, later ones override earlier ones of the same name.
    """

    zone: Zone | None = None
    layout_folders: tuple[Path, ...] = ()


ReadFunction = Callable[["ExportFile", ReadOptions], "tuple[Recording, ...]"]


@dataclass(frozen=True)
class Reader:
    """One format.

    `sniff` looks at the first 4,096 bytes (or the whole file when it is shorter) and says
    whether they can be this format. `is_complete` says whether a file that stopped growing holds
    all that it should. `source` names the standard.
    """

    format: str
    suffixes: tuple[str, ...]
    sniff: Callable[[bytes], bool]
    is_complete: Callable[[Path], bool]
    source: str
    read: ReadFunction


READERS: Final[dict[str, Reader]] = {}


def reader(
    name: str,
    *,
    suffixes: tuple[str, ...],
    sniff: Callable[[bytes], bool],
    is_complete: Callable[[Path], bool],
    source: str,
) -> Callable[[ReadFunction], ReadFunction]:
    """Register the decorated function as the reader of format `name`."""

    def register(function: ReadFunction) -> ReadFunction:
        _refuse_second(READERS, name, "reader")
        READERS[name] = Reader(name, suffixes, sniff, is_complete, source, function)
        return function

    return register


# --- metrics ----------------------------------------------------------------------------------
@dataclass(frozen=True)
class Value:
    """What a metric gives: a value, or None with the reason.

    `n` is what the value rests on (seconds compared, or things counted); `coverage` is compared
    seconds / seconds in which the reference had a value. `reason` says why there is no value;
    beside a value it says what a reader must know about it, and is stored as `note`. `ci_reason`
    says why an end of the interval of a metric that bears one is unknown.
    """

    value: float | None
    ci_low: float | None = None
    ci_high: float | None = None
    n: int = 0
    coverage: float | None = None
    reason: str | None = None
    ci_reason: str | None = None


def unknown(reason: str, *, n: int = 0, coverage: float | None = None) -> Value:
    """Return the value of a metric that cannot be computed, with the reason."""
    return Value(None, n=n, coverage=coverage, reason=reason)


@dataclass(frozen=True)
class Example:
    """A worked example of a metric, run by the contract test.

    `inputs` are the keyword arguments of `make_example` (`tasks.workout.case`); `expected` is the
    value, None where the metric must decline; `source` says where the expected value comes from.
    """

    inputs: Mapping[str, Any]
    expected: float | None
    source: str
    tolerance: float = 1e-9


@dataclass(frozen=True)
class Metric:
    """A catalogue entry and its function, which takes a `Case` and returns a `Value`.

    `needs` are channels that the test recording must have; where `against` names a channel, the
    reference must have it too. `minimum_n` seconds must be comparable. `whole_only` marks metrics
    that make no sense for a part of a workout, `has_interval` those whose value has an interval or
    a reason why not. `level` says what it is for in verdicts, `judged_in` in which segment.
    """

    id: str
    domain: Domain
    title: str
    unit: str
    version: int
    definition: str
    formula: str
    better: Better
    source: str
    against: Against
    needs: tuple[str, ...]
    minimum_n: int
    whole_only: bool
    has_interval: bool
    examples: tuple[Example, ...]
    compute: Callable[[Any], Value]
    level: Level = "diagnostic"
    judged_in: str = "all"


#: How often the series changed that all metrics and findings of a kind of comparison share: added
#: to the version of each of them. Heart rate, 1: beats of a centred window of 7 s, by shares; 2: a
#: reference that steps from load to load is not masked.
SHARED_REVISIONS: Final[Mapping[Against, int]] = {"heart_rate": 2}

#: Levels in the order in which metrics are shown.
LEVELS: Final[tuple[Level, ...]] = get_args(Level)
METRICS: Final[dict[str, Metric]] = {}
MetricFunction = TypeVar("MetricFunction", bound=Callable[[Any], Value])


def metric(
    domain: Domain,
    *,
    title: str,
    unit: str,
    definition: str,
    formula: str,
    better: Better,
    source: str,
    examples: tuple[Example, ...],
    against: Against = "nothing",
    needs: tuple[str, ...] = (),
    minimum_n: int = 1,
    whole_only: bool = False,
    has_interval: bool = False,
    version: int = 1,
    level: Level = "diagnostic",
    judged_in: str = "all",
) -> Callable[[MetricFunction], MetricFunction]:
    """Register the decorated function as the metric of its own name.

    `definition` is one sentence, and says what the number does not tell.
    """

    def register(function: MetricFunction) -> MetricFunction:
        name = function.__name__
        _refuse_second(METRICS, name, "metric")
        METRICS[name] = Metric(
            id=name,
            domain=domain,
            title=title,
            unit=unit,
            version=version + SHARED_REVISIONS.get(against, 0),
            definition=definition,
            formula=formula,
            better=better,
            source=source,
            against=against,
            needs=needs,
            minimum_n=minimum_n,
            whole_only=whole_only,
            has_interval=has_interval,
            examples=examples,
            compute=function,
            level=level,
            judged_in=judged_in,
        )
        return function

    return register


# --- findings ---------------------------------------------------------------------------------
@dataclass(frozen=True)
class Finding:
    """Something that happened, on the workout's clock (seconds since 1970-01-01T00:00:00Z).

    `size` is signed, test minus reference, in the unit of the finding's kind.
    """

    start_s: float
    end_s: float
    size: float | None
    note: str = ""
    latitude_deg: float | None = None
    longitude_deg: float | None = None


@dataclass(frozen=True)
class FindingKind:
    """A kind of finding and the function that looks for it in a `tasks.workout.case.Case`."""

    kind: str
    domain: Domain
    title: str
    unit: str
    version: int
    definition: str
    source: str
    against: Against
    needs: tuple[str, ...]
    detect: Callable[[Any], list[Finding]]


FINDING_KINDS: Final[dict[str, FindingKind]] = {}
#: What earlier versions found; their rows stay until the workout is measured again.
FORMER_FINDING_KINDS: Final = ("battery_range",)
DetectFunction = TypeVar("DetectFunction", bound=Callable[[Any], "list[Finding]"])


def finding(
    kind: str,
    *,
    domain: Domain,
    title: str,
    unit: str,
    definition: str,
    source: str,
    against: Against = "nothing",
    needs: tuple[str, ...] = (),
    version: int = 1,
) -> Callable[[DetectFunction], DetectFunction]:
    """Register the decorated function as the detector of findings of `kind`."""

    def register(function: DetectFunction) -> DetectFunction:
        _refuse_second(FINDING_KINDS, kind, "finding")
        FINDING_KINDS[kind] = FindingKind(
            kind,
            domain,
            title,
            unit,
            version + SHARED_REVISIONS.get(against, 0),
            definition,
            source,
            against,
            needs,
            function,
        )
        return function

    return register


# --- segments ---------------------------------------------------------------------------------
@dataclass(frozen=True)
class Segmenter:
    """A function that cuts a `tasks.workout.case.Case` into further segments for its domain.

    It gives a list of `tasks.workout.case.Segment`, e.g. after_lock, band:<name>, rising.
    """

    name: str
    domain: Domain
    cut: Callable[[Any], list[Any]]


SEGMENTERS: Final[dict[str, Segmenter]] = {}
SegmentFunction = TypeVar("SegmentFunction", bound=Callable[[Any], list[Any]])


def segmenter(domain: Domain) -> Callable[[SegmentFunction], SegmentFunction]:
    """Register the decorated function as a segmenter of `domain`."""

    def register(function: SegmentFunction) -> SegmentFunction:
        name = f"{domain}:{function.__name__}"
        _refuse_second(SEGMENTERS, name, "segmenter")
        SEGMENTERS[name] = Segmenter(name, domain, function)
        return function

    return register


# --- scopes -----------------------------------------------------------------------------------
#: Says of a `Case` over a whole workout whether a domain has anything to do with it; pool lengths
#: have none with a ride. A domain without a scope concerns every workout.
SCOPES: Final[dict[Domain, Callable[[Any], bool]]] = {}
ScopeFunction = TypeVar("ScopeFunction", bound=Callable[[Any], bool])


def scope(domain: Domain) -> Callable[[ScopeFunction], ScopeFunction]:
    """Register the decorated function as the scope of `domain`."""

    def register(function: ScopeFunction) -> ScopeFunction:
        _refuse_second(SCOPES, domain, "scope")
        SCOPES[domain] = function
        return function

    return register


# --- charts -----------------------------------------------------------------------------------
@dataclass(frozen=True)
class Chart:
    """One kind of chart: what it draws, where on the page it stands, and its function.

    The function takes what its page knows and gives the drawings there are (none where the data
    lack it); page, SVG and PNG are all made from the same drawing.
    """

    name: str
    page: ChartPage
    section: str
    draw: Callable[[Any], Sequence[Any]]


ChartPage = Literal["workout", "device"]
CHARTS: Final[dict[str, Chart]] = {}
DrawFunction = TypeVar("DrawFunction", bound=Callable[[Any], "Sequence[Any]"])


def chart(page: ChartPage, *, section: str) -> Callable[[DrawFunction], DrawFunction]:
    """Register the decorated function, `draw_<name>`, as the chart `name` of `section`."""

    def register(function: DrawFunction) -> DrawFunction:
        name = function.__name__.removeprefix("draw_")
        _refuse_second(CHARTS, name, "chart")
        CHARTS[name] = Chart(name, page, section, function)
        return function

    return register


def _refuse_second(register: Mapping[Any, object], name: str, what: str) -> None:
    if name in register:
        raise ValueError(f"{what} {name!r} is registered twice")
