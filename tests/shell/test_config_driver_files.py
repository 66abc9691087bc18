"""Files that a driver's own keys name: read from the config's folder, checked, kept for a replay."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import ClassVar

import pytest
from pydantic import BaseModel, ConfigDict

from logger.config.load import LoadedConfig, load_config, loads_config
from logger.core.errors import ConfigError
from tests.shell.stand_ins import job_head


class Content(BaseModel):
    model_config = ConfigDict(extra="forbid", strict=True)

    depth: float


class Options(BaseModel):
    """Of a driver that no package has."""

    model_config = ConfigDict(extra="forbid")
    files: ClassVar[Mapping[str, type[BaseModel]]] = {"table": Content}

    table: str | None = None


DRIVERS: dict[str, type[BaseModel]] = {"made": Options}
PROBES = """
[probes.ret]
role = "return"
driver = "made"
{ret}
[probes.sup]
role = "supply"
driver = "made"
table = "sub/b.toml"
"""


def load(folder: Path, ret: str = 'table = "a.toml"') -> LoadedConfig:
    path = folder / "job.toml"
    path.write_text(job_head("files") + PROBES.format(ret=ret), encoding="utf-8")
    return load_config(path, DRIVERS)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "sub").mkdir()
    (tmp_path / "a.toml").write_bytes(b"\xef\xbb\xbfdepth = 1.5 # with a mark of its order of bytes\n")
    (tmp_path / "sub" / "b.toml").write_text("depth = 2\n", encoding="utf-8")
    return tmp_path


def test_the_driver_is_given_the_content_and_the_text_is_kept(folder: Path) -> None:
    config = load(folder)
    assert [probe.options["table"] for probe in config.probes] == [{"depth": 1.5}, {"depth": 2.0}]
    assert set(config.files) == {"a.toml", "sub/b.toml"}
    assert config.files["sub/b.toml"] == "depth = 2\n"
    for name in ("a.toml", "sub/b.toml"):
        (folder / name).unlink()
    again = loads_config(config.effective_text, "run", None, stored=config.files)
    assert again.files == config.files


def test_a_key_left_out_names_no_file(folder: Path) -> None:
    config = load(folder, ret="")
    assert config.probes[0].options["table"] is None
    assert set(config.files) == {"sub/b.toml"}


@pytest.mark.parametrize(
    ("content", "said"),
    [
        (b"depth = 1\nwidth = 2\n", "a.toml:2: key 'width': unknown key; accepted here: depth"),
        (b"\n\ndepth = true\n", "a.toml:3: key 'depth': must be a number"),
        (b"depth = \n", "a.toml:1: is not valid TOML"),
        (b"\xff\xfe", "a.toml: is not UTF-8 text; save the file as UTF-8"),
        (b"#" * 1_000_001, "a.toml: is larger than 1000000 bytes"),
    ],
    ids=["key", "value", "syntax", "bytes", "size"],
)
def test_what_is_wrong_in_a_file_is_told_with_the_key_that_names_it(
    folder: Path, content: bytes, said: str
) -> None:
    (folder / "a.toml").write_bytes(content)
    with pytest.raises(ConfigError) as caught:
        load(folder)
    (line,) = str(caught.value).splitlines()
    assert line.startswith(f"{folder / 'job.toml'}:")
    assert "key 'probes.ret.table': " in line
    assert f"{folder}/{said}" in line


@pytest.mark.parametrize("name", ["none.toml", "sub", "a\\u0000b"])
def test_a_file_that_cannot_be_read_is_told(folder: Path, name: str) -> None:
    with pytest.raises(ConfigError, match="cannot be read"):
        load(folder, ret=f'table = "{name}"')


def test_a_pipe_is_refused_and_not_waited_for(folder: Path) -> None:
    (folder / "a.toml").unlink()
    os.mkfifo(folder / "a.toml")
    with pytest.raises(ConfigError, match=r"job\.toml:\d+: key 'probes\.ret\.table'.*is no regular file"):
        load(folder)
