"""Writes a recording as GPX, TCX or CSV."""

from collections.abc import Iterator
from typing import Literal
from xml.sax.saxutils import escape

import numpy as np
from numpy.typing import NDArray

from tests.simulate.devices import Lap, Recorded
from tests.simulate.write_fit import cadence_divisor

Floats = NDArray[np.float64]


def stamp(unix_s: Floats, unit: Literal["s", "ms"] = "s") -> list[str]:
    """Return instants as ISO 8601 in UTC."""
    scale = {"s": 1, "ms": 1000}[unit]
    whole = np.round(unix_s * scale).astype(np.int64)
    if unit == "s":
        texts = np.datetime_as_string(whole.astype("datetime64[s]"))
    else:
        texts = np.datetime_as_string(whole.astype("datetime64[ms]"))
    return [f"{text}Z" for text in texts.tolist()]


def write_gpx(recorded: Recorded) -> bytes:
    """Return a GPX 1.1 track; heart rate and cadence in TrackPointExtension v1.

    Samples without a position are left out, and a new segment begins after them.
    """
    device = recorded.device
    head = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f'<gpx version="1.1" creator="{escape(device.name)}"'
        ' xmlns="http://www.topografix.com/GPX/1/1"'
        ' xmlns:gpxtpx="http://www.garmin.com/xmlschemas/TrackPointExtension/v1">\n'
        f"<metadata><time>{stamp(recorded.clock_unix_s[:1])[0]}</time></metadata>\n"
        f"<trk><name>{escape(recorded.workout.name)}</name>"
        f"<type>{escape(recorded.workout.activity)}</type><trkseg>\n"
    )
    out = [head]
    divisor = cadence_divisor(recorded)
    extras = {
        "hr": _whole(recorded, "heart_rate_bpm", 1.0),
        "cad": _whole(recorded, "cadence_per_min", divisor),
    }
    opened = True
    for index, (when, latitude, longitude, altitude) in enumerate(
        zip(
            stamp(recorded.clock_unix_s),
            recorded.latitude_deg.tolist(),
            recorded.longitude_deg.tolist(),
            _channel(recorded, "altitude_m").tolist(),
            strict=True,
        )
    ):
        if latitude != latitude:  # noqa: PLR0124  # NaN: no fix
            if opened and len(out) > 1:
                out.append("</trkseg><trkseg>\n")
                opened = False
            continue
        opened = True
        height = f"<ele>{altitude:.1f}</ele>" if altitude == altitude else ""  # noqa: PLR0124
        inner = "".join(
            f"<gpxtpx:{name}>{values[index]}</gpxtpx:{name}>"
            for name, values in extras.items()
            if values[index] is not None
        )
        if inner:
            inner = (
                f"<extensions><gpxtpx:TrackPointExtension>{inner}"
                "</gpxtpx:TrackPointExtension></extensions>"
            )
        out.append(
            f'<trkpt lat="{latitude:.7f}" lon="{longitude:.7f}">{height}'
            f"<time>{when}</time>{inner}</trkpt>\n"
        )
    out.append("</trkseg></trk></gpx>\n")
    return "".join(out).encode()


def write_tcx(recorded: Recorded) -> bytes:
    """Return a TCX v2 activity; the first point of a lap repeats the last of the lap before."""
    sport = {
        "running": "Running",
        "intervals": "Running",
        "cycling": "Biking",
        "mountain-biking": "Biking",
    }.get(recorded.workout.activity, "Other")
    head = (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        '<TrainingCenterDatabase xmlns="http://www.garmin.com/xmlschemas/'
        'TrainingCenterDatabase/v2">\n'
        f'<Activities><Activity Sport="{sport}"><Id>{stamp(recorded.clock_unix_s[:1])[0]}</Id>\n'
    )
    out = [head]
    points = list(_tcx_points(recorded))
    for lap in recorded.laps:
        first, last = np.searchsorted(recorded.true_s, [lap.start_s, lap.end_s])
        out.append(_open_lap(recorded, lap, int(first)))
        out.extend(points[int(first) : int(last) + 1])
        out.append("</Track></Lap>\n")
    device = recorded.device
    out.append(
        '<Creator xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance" xsi:type="Device_t">'
        f"<Name>{escape(device.name)}</Name><UnitId>{device.serial}</UnitId>"
        f"<ProductID>{device.serial % 1000}</ProductID><Version><VersionMajor>"
        f"{device.firmware.split('.')[0]}</VersionMajor><VersionMinor>"
        f"{device.firmware.split('.')[1]}</VersionMinor></Version></Creator>\n"
        "</Activity></Activities></TrainingCenterDatabase>\n"
    )
    return "".join(out).encode()


def _open_lap(recorded: Recorded, lap: Lap, first: int) -> str:
    return (
        f'<Lap StartTime="{stamp(recorded.clock_unix_s[first : first + 1])[0]}">'
        f"<TotalTimeSeconds>{lap.end_s - lap.start_s:.1f}</TotalTimeSeconds>"
        f"<DistanceMeters>{lap.distance_m:.2f}</DistanceMeters><Calories>0</Calories>"
        "<Intensity>Active</Intensity><TriggerMethod>Distance</TriggerMethod><Track>\n"
    )


def _tcx_points(recorded: Recorded) -> Iterator[str]:
    altitude = _channel(recorded, "altitude_m").tolist()
    distance = _channel(recorded, "distance_m").tolist()
    speed = _channel(recorded, "speed_mps").tolist()
    rate = _whole(recorded, "heart_rate_bpm", 1.0)
    cadence = _whole(recorded, "cadence_per_min", cadence_divisor(recorded))
    watts = _whole(recorded, "power_w", 1.0)
    on_foot = cadence_divisor(recorded) != 1.0
    for index, when in enumerate(stamp(recorded.clock_unix_s)):
        latitude, longitude = recorded.latitude_deg[index], recorded.longitude_deg[index]
        text = [f"<Trackpoint><Time>{when}</Time>"]
        if np.isfinite(latitude):
            text.append(
                f"<Position><LatitudeDegrees>{latitude:.7f}</LatitudeDegrees>"
                f"<LongitudeDegrees>{longitude:.7f}</LongitudeDegrees></Position>"
            )
        if np.isfinite(altitude[index]):
            text.append(f"<AltitudeMeters>{altitude[index]:.1f}</AltitudeMeters>")
        if np.isfinite(distance[index]):
            text.append(f"<DistanceMeters>{distance[index]:.2f}</DistanceMeters>")
        if rate[index] is not None:
            text.append(f"<HeartRateBpm><Value>{rate[index]}</Value></HeartRateBpm>")
        if cadence[index] is not None and not on_foot:
            text.append(f"<Cadence>{cadence[index]}</Cadence>")
        inner = f"<Speed>{speed[index]:.3f}</Speed>" if np.isfinite(speed[index]) else ""
        if cadence[index] is not None and on_foot:
            inner += f"<RunCadence>{cadence[index]}</RunCadence>"
        if watts[index] is not None:
            inner += f"<Watts>{watts[index]}</Watts>"
        if inner:
            text.append(
                '<Extensions><TPX xmlns="http://www.garmin.com/xmlschemas/ActivityExtension/v2">'
                f"{inner}</TPX></Extensions>"
            )
        text.append("</Trackpoint>\n")
        yield "".join(text)


def write_csv_iso(recorded: Recorded) -> bytes:
    """Return `time,heart_rate` with ISO times in UTC."""
    return _write_rows(recorded, "time,heart_rate", stamp(recorded.clock_unix_s), ",")


def write_csv_elapsed(recorded: Recorded) -> bytes:
    """Return `seconds;bpm`: seconds since the start of the recording, no date at all."""
    seconds = (recorded.clock_unix_s - recorded.clock_unix_s[0]).astype(int)
    return _write_rows(recorded, "seconds;bpm", seconds.astype(str).tolist(), ";")


def write_csv_epoch(recorded: Recorded) -> bytes:
    """Return `timestamp_ms<tab>hr`: milliseconds since 1970."""
    milliseconds = (recorded.clock_unix_s * 1000).astype(np.int64)
    return _write_rows(recorded, "timestamp_ms\thr", milliseconds.astype(str).tolist(), "\t")


def write_csv_beats(recorded: Recorded) -> bytes:
    """Return `time,rr_ms`: the instant of each beat and the interval that ends with it."""
    intervals = np.diff(recorded.beats_unix_s) * 1000.0
    times = stamp(recorded.beats_unix_s[1:], "ms")
    rows = [f"{when},{value:.0f}\n" for when, value in zip(times, intervals, strict=True)]
    return ("time,rr_ms\n" + "".join(rows)).encode()


def _write_rows(recorded: Recorded, header: str, times: list[str], separator: str) -> bytes:
    rates = _whole(recorded, "heart_rate_bpm", 1.0)
    rows = [
        f"{when}{separator}{'' if rate is None else rate}\n"
        for when, rate in zip(times, rates, strict=True)
    ]
    return (header + "\n" + "".join(rows)).encode()


def _channel(recorded: Recorded, name: str) -> Floats:
    return recorded.channels.get(name, np.full(len(recorded.true_s), np.nan))


def _whole(recorded: Recorded, name: str, divisor: float) -> list[int | None]:
    values = _channel(recorded, name)
    if name in {"cadence_per_min", "power_w"} and not values.any():
        return [None] * len(values)
    return [
        None if value != value else round(value)  # noqa: PLR0124  # NaN: no value
        for value in (values / divisor).tolist()
    ]
