"""The annotated example configs, found in an installed package or in a checkout."""

from __future__ import annotations

from importlib.resources import files
from importlib.resources.abc import Traversable

from logger.config.fields import closest
from logger.core.errors import UsageError


def template_names() -> tuple[str, ...]:
    """Names of the templates, without ``.toml``, in order."""
    names = (entry.name for entry in _folder().iterdir())
    return tuple(sorted(n.removesuffix(".toml") for n in names if n.endswith(".toml") and not _is_local(n)))


def template_text(name: str) -> str:
    """Text of a template.

    Raises
    ------
    UsageError
        There is none of that name.
    """
    known = template_names()
    if name not in known:
        raise UsageError(
            f"no template is called '{name}'; there are: {', '.join(known)}{closest(name, known)}"
        )
    return (_folder() / f"{name}.toml").read_text(encoding="utf-8")


def _folder() -> Traversable:
    installed = files("logger") / "_config"
    return installed if installed.is_dir() else files("logger") / ".." / "config"


def _is_local(name: str) -> bool:
    return name.startswith("local")  # git-ignored files of one's own
