"""Tells whom the settings name what a run met: one message for each run, by Apprise.

What a message says leads to no place, no heart rate and no file; nothing is sent without a target.
"""

from __future__ import annotations

import json
import logging
import shutil
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Final

from tasks.archive.ledger import Ledger
from tasks.core.errors import CowornError
from tasks.core.wording import count
from tasks.store import connect_for_reading

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from config.home import Home
    from config.session import Session
    from flows.run_reports import WorkoutRun
    from tasks.ingest.exports import FileOutcome

LOG: Final = logging.getLogger(__name__)
#: Ledger keys: verdicts that were reported, and the day on which a full disk was.
_TOLD_VERDICTS: Final = "told_verdicts"
_TOLD_DISK: Final = "told_disk"
_GIGABYTE: Final = 1e9
_DRY: Final = """
SELECT DISTINCT reference FROM latest_results
WHERE metric = 'hr_reference_dry_s' AND segment = 'all' AND value > 0 AND is_main
  AND list_contains($workouts::VARCHAR[], workout_id)
ORDER BY 1
"""
_SETTLED: Final = """
SELECT DISTINCT device_id, verdict, against, activity, metric FROM latest_verdicts
WHERE is_primary AND verdict IN ('better', 'worse', 'alike') ORDER BY ALL
"""


def notify(session: Session, outcomes: Sequence[FileOutcome], workout_run: WorkoutRun) -> None:
    """Send what the run met that somebody wants to know; a failure is logged and fails nothing."""
    targets = session.settings.notify.targets
    if not targets:
        return
    try:
        lines = [
            *_tell_refused(outcomes),
            *_tell_results(session.home, workout_run),
            *_tell_disk(session.home, session.settings.notify.disk_free_gb),
        ]
        if lines:
            _send(targets, "\n".join(lines))
    except Exception as error:  # noqa: BLE001 - the work is done; a message is a courtesy
        LOG.warning("no notification was sent (%s)", type(error).__name__)


def _tell_refused(outcomes: Sequence[FileOutcome]) -> Iterator[str]:
    refused = sum(outcome.status == "refused" for outcome in outcomes)
    if refused:
        yield f"{count(refused, 'file')} refused; coworn status says why"


def _tell_results(home: Home, workout_run: WorkoutRun) -> Iterator[str]:
    new = [one.workout_id for one in workout_run.summary.workouts if one.is_new]
    try:
        connection = connect_for_reading(home, statement="")
    except CowornError:
        return
    try:
        dry = connection.execute(_DRY, {"workouts": new}).fetchall()
        settled = connection.execute(_SETTLED).fetchall()
    finally:
        connection.close()
    for (reference,) in dry:
        yield f"{reference} seems to have been dry at a start; coworn exclude sets it aside"
    yield from _tell_verdicts(home, [" ".join(map(str, row)) for row in settled])


def _tell_verdicts(home: Home, settled: Sequence[str]) -> Iterator[str]:
    """Report what was not settled before; nothing of what was when the first target came."""
    with Ledger(home) as ledger:
        kept = ledger.recall(_TOLD_VERDICTS)
        if kept is None or json.loads(kept) != list(settled):
            ledger.remember(_TOLD_VERDICTS, json.dumps(list(settled)))
    earlier = settled if kept is None else json.loads(kept)
    yield from (f"settled: {one}" for one in settled if one not in earlier)


def _tell_disk(home: Home, least_gb: float) -> Iterator[str]:
    free_gb = shutil.disk_usage(home.root).free / _GIGABYTE
    if free_gb >= least_gb:
        return
    today = f"{datetime.now(UTC):%Y-%m-%d}"
    with Ledger(home) as ledger:
        if ledger.recall(_TOLD_DISK) == today:
            return
        ledger.remember(_TOLD_DISK, today)
    yield f"the disk of the home is nearly full: {free_gb:.1f} GB free"


def _send(targets: Sequence[str], body: str) -> None:
    import apprise

    sender = apprise.Apprise(asset=apprise.AppriseAsset(app_id="coworn", app_desc="coworn"))
    refused = sum(not sender.add(target) for target in targets)
    if refused:
        LOG.warning("notify.targets: %d of a form that is not known", refused)
    if len(sender) and not sender.notify(
        body=body, title="coworn", body_format=apprise.NotifyFormat.TEXT
    ):
        LOG.warning("a notification could not be sent to all of %d targets", len(sender))
