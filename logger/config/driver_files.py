"""Files that a driver's own keys name: read, checked, and kept so that they are stored with the run."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ValidationError

from logger.config.problems import Problem, Source, fault, problems_of
from logger.config.toml_text import KeyPath, parse_toml
from logger.config.traverse import located
from logger.core.errors import ConfigError, RiselogError
from logger.traverse.file import read_small


class FileTexts:
    """Texts by the names that a config gives them; those ``stored`` stand in for files."""

    def __init__(self, folder: Path, stored: Mapping[str, str]) -> None:
        self.folder = folder
        self._stored = stored
        self.read: dict[str, str] = {}

    def contents(
        self, model: type[BaseModel], options: dict[str, Any], path: KeyPath, problems: list[Problem]
    ) -> dict[str, Any] | None:
        """The options with what stands in each file that the driver's model names in its ``files``, in
        place of the file's name; None where one of them cannot be used."""
        kinds: Mapping[str, type[BaseModel]] = getattr(model, "files", {})
        found = dict(options)
        faults: list[Problem] = []
        for key, kind in kinds.items():
            name = options.get(key)
            if name is None:
                continue
            if not isinstance(name, str):
                faults.append(Problem((*path, key), "must be the name of a file, in quotes"))
                continue
            try:
                found[key] = self._content(name, kind)
            except RiselogError as error:
                faults += [Problem((*path, key), line) for line in str(error).splitlines()]
        problems += faults
        return None if faults else found

    def _content(self, name: str, kind: type[BaseModel]) -> dict[str, Any]:
        """What the file says, through its model."""
        shown = str(located(name, self.folder))
        text = self._stored[name] if name in self._stored else _read(Path(shown))
        data = parse_toml(text, shown)
        try:
            content = kind.model_validate(data).model_dump()
        except ValidationError as error:
            raise fault(problems_of(error, kind), [Source.of(shown, text)]) from error
        self.read[name] = text
        return content


def _read(path: Path) -> str:
    if path.exists() and not (path.is_file() or path.is_dir()):  # a pipe may never begin
        raise ConfigError(f"{path}: is no regular file; name the file itself")
    return read_small(path)
