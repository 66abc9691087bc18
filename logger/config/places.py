"""Where a key of a probe stands: file and line, also inside a file that the probe's table names."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from logger.config.load import LoadedConfig
from logger.config.problems import Source
from logger.config.toml_text import KeyPath
from logger.config.traverse import located


class Places:
    """Of one config that was loaded from a file."""

    def __init__(self, config: LoadedConfig) -> None:
        self._config = config

    def of(self, probe: str, key: KeyPath) -> str:
        """``FILE:LINE`` of what is to be mended; empty where there is no key, or no file to be read."""
        if not key:
            return ""
        try:
            text = Path(self._config.name).read_text(encoding="utf-8-sig")
            named = _at(tomllib.loads(text), ("probes", probe, key[0]))
        except (OSError, ValueError):
            return ""
        if len(key) > 1 and isinstance(named, str) and named in self._config.files:
            shown = str(located(named, Path(self._config.name).parent))
            return _place(Source.of(shown, self._config.files[named]), key[1:])
        return _place(Source.of(self._config.name, text), ("probes", probe, *key))


def _at(tables: Any, path: KeyPath) -> object:  # noqa: ANN401 - TOML
    for part in path:
        tables = tables.get(part) if isinstance(tables, dict) else None
    return tables


def _place(source: Source, path: KeyPath) -> str:
    """The line of the key, or of the nearest table around it."""
    while path and path not in source.lines:
        path = path[:-1]
    return f"{source.name}:{source.lines.get(path, 1)}"
