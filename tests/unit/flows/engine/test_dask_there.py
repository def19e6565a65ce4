"""Dask that is not there is told before anything starts."""

from __future__ import annotations

import importlib.util
import socket
from typing import TYPE_CHECKING

import pytest

from config.settings import load_settings
from flows.engine.task_runner import check_dask
from tasks.core.errors import UsageError

if TYPE_CHECKING:
    from pathlib import Path

    from config.settings import Settings


def make_settings(folder: Path, address: str = "") -> Settings:
    path = folder / "coworn.toml"
    path.write_text(f'[run]\nrunner = "dask"\ndask_address = "{address}"\n')
    return load_settings(path)


def test_a_missing_extra_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda _name: None)
    with pytest.raises(UsageError, match=r'pip install -e "\.\[dask\]"'):
        check_dask(make_settings(tmp_path))


def test_other_runners_need_no_dask(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda _name: None)
    check_dask(load_settings(tmp_path / "none.toml"))


def test_a_scheduler_that_does_not_answer_is_told(tmp_path: Path) -> None:
    with socket.socket() as closed:
        closed.bind(("127.0.0.1", 0))
        address = f"tcp://127.0.0.1:{closed.getsockname()[1]}"
        with pytest.raises(UsageError, match="no Dask scheduler answers at tcp://127"):
            check_dask(make_settings(tmp_path, address))


@pytest.mark.parametrize("address", ["tcp://127.0.0.1:99999", "nonsense", "tcp://"])
def test_an_address_that_is_none_is_told(tmp_path: Path, address: str) -> None:
    with pytest.raises(UsageError, match="no Dask scheduler answers"):
        check_dask(make_settings(tmp_path, address))


def test_a_scheduler_that_answers_is_fit(tmp_path: Path) -> None:
    with socket.socket() as server:
        server.bind(("127.0.0.1", 0))
        server.listen()
        check_dask(make_settings(tmp_path, f"tcp://127.0.0.1:{server.getsockname()[1]}"))
