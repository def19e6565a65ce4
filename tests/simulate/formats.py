"""Every form in which a recording can be written; the last part of a name is the suffix."""

from collections.abc import Callable

from tests.simulate import write_fit_odd as odd
from tests.simulate import write_text as text
from tests.simulate.devices import Recorded
from tests.simulate.write_fit import write_fit

WRITERS: dict[str, Callable[[Recorded], bytes]] = {
    "fit": write_fit,
    "plain.fit": odd.write_fit_plain,
    "big-endian.fit": odd.write_fit_big_endian,
    "compressed.fit": odd.write_fit_compressed,
    "developer.fit": odd.write_fit_developer,
    "stored-beats.fit": odd.write_fit_stored_beats,
    "gpx": text.write_gpx,
    "tcx": text.write_tcx,
    "iso.csv": text.write_csv_iso,
    "elapsed.csv": text.write_csv_elapsed,
    "epoch.csv": text.write_csv_epoch,
    "beats.csv": text.write_csv_beats,
}


def write_export(recorded: Recorded, form: str) -> bytes:
    """Return the bytes of one export in one form."""
    return WRITERS[form](recorded)
