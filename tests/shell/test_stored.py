"""A machine without a home folder."""

from __future__ import annotations

from pathlib import Path

import platformdirs
import pytest

from logger.core.errors import StoreError
from logger.faults import log_fault
from logger.store.paths import data_folder


def test_without_a_home_folder_the_variable_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    def homeless(*_: object, **__: object) -> Path:
        raise RuntimeError("could not determine the home directory")

    monkeypatch.delenv("RISELOG_DATA_DIR", raising=False)
    monkeypatch.setattr(platformdirs, "user_data_path", homeless)
    monkeypatch.setattr(platformdirs, "user_log_path", homeless)
    with pytest.raises(StoreError, match="RISELOG_DATA_DIR"):
        data_folder()
    assert "RISELOG_DATA_DIR" in log_fault(ValueError("x"), "test")
