"""Where the files of ``config/`` are: beside the sources in a checkout, inside the package in a wheel."""

from pathlib import Path

_PACKAGE = Path(__file__).resolve().parent.parent


def shipped(*parts: str) -> Path:
    """Return the path of a shipped file, e.g. ``shipped("profiles", "red.toml")``.

    Raises:
        FileNotFoundError: neither a checkout's ``config/`` nor the wheel's ``mustwatch/shipped/`` holds it.
    """
    for root in (_PACKAGE / "shipped", _PACKAGE.parent.parent / "config"):
        path = root.joinpath(*parts)
        if path.exists():
            return path
    raise FileNotFoundError(f"shipped file {'/'.join(parts)} is missing: reinstall mustwatch")
