"""The file that a take writes to: links, rights, what a crash left, and who else writes to it."""

import os
import stat
from pathlib import Path

import pytest

from logger.core.errors import TableError
from logger.core.traverse import Duct, DuctShape, Method, Traverse
from logger.traverse.file import load_traverse, save_traverse

TRAVERSE = Traverse(
    duct=Duct(shape=DuctShape.RECTANGULAR, width_m=0.5, height_m=0.4),
    method=Method.EQUAL_AREA,
    points_across=2,
    points_down=2,
    complete=False,
)


def test_a_link_stays_a_link(tmp_path: Path) -> None:
    (tmp_path / "stick").mkdir()
    link = tmp_path / "t.json"
    link.symlink_to(tmp_path / "stick" / "real.json")  # of a file that is not there yet
    for _ in range(2):
        save_traverse(link, TRAVERSE)
        assert link.is_symlink()
        assert load_traverse(tmp_path / "stick" / "real.json") == TRAVERSE
    assert sorted(os.listdir(tmp_path)) == ["stick", "t.json"]  # noqa: PTH208


def test_links_in_a_circle_are_one_sentence(tmp_path: Path) -> None:
    (tmp_path / "a.json").symlink_to(tmp_path / "b.json")
    (tmp_path / "b.json").symlink_to(tmp_path / "a.json")
    with pytest.raises(TableError, match=r"a\.json: cannot be written"):
        save_traverse(tmp_path / "a.json", TRAVERSE)


@pytest.mark.skipif(os.name == "nt", reason="rights of POSIX")
@pytest.mark.parametrize("mode", [0o600, 0o664])
def test_the_rights_stay(tmp_path: Path, mode: int) -> None:
    path = tmp_path / "t.json"
    save_traverse(path, TRAVERSE)
    path.chmod(mode)
    save_traverse(path, TRAVERSE)
    assert stat.S_IMODE(path.stat().st_mode) == mode


def test_what_a_crash_left_is_written_over(tmp_path: Path) -> None:
    (tmp_path / ".t.json.part").write_text("half a fi", encoding="utf-8")
    save_traverse(tmp_path / "t.json", TRAVERSE)
    assert os.listdir(tmp_path) == ["t.json"]  # noqa: PTH208
