"""Ids that are published lead to no original and no serial, and are the same in every export."""

from __future__ import annotations

import hashlib

from tasks.core.public_ids import PublicIds

HASH = hashlib.sha256(b"an export").hexdigest()
RECORDING = f"{HASH[:16]}-0"
WORKOUT = f"20260502T0530Z-{HASH[:6]}"


def test_no_digits_of_the_hash_are_left_and_the_same_key_gives_the_same() -> None:
    ids = PublicIds(b"one")
    text = f"tracks/{RECORDING}.gpx of {WORKOUT} by unknown-0123abcd; not {HASH}"
    public = ids.rewrite(text)
    assert HASH[:16] not in public.replace(HASH, "")
    assert HASH[:6] not in public.replace(HASH, "")
    assert "unknown-" not in public
    assert "20260502T0530Z-" in public
    assert ids.rewrite(text) == public
    assert PublicIds(b"two").rewrite(text) != public
    assert ids.rewrite(public) == public


def test_two_recordings_of_one_export_do_not_look_alike() -> None:
    first, second = (PublicIds(b"one").rewrite(f"{HASH[:16]}-{n}") for n in (0, 1))
    assert first[:8] != second[:8]


def test_only_devices_that_nobody_named_are_renamed() -> None:
    ids = PublicIds(b"one", frozenset({"morning-run-of-ann"}))
    assert ids.find_device("alder-2") == "alder-2"
    assert ids.find_device("consensus") == "consensus"
    renamed = ids.find_device("morning-run-of-ann")
    assert renamed.startswith("device-")
    assert "ann" not in renamed
    assert ids.find_device("unknown-0123abcd") == ids.rewrite("unknown-0123abcd")
