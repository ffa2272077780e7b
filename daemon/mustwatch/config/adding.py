"""Adding an entry to the configuration file: whole and without a fault, or the file stays as it is."""

import contextlib
import os
from pathlib import Path

from mustwatch.config.faults import configuration_faults
from mustwatch.config.settings import SettingsError, load


def add_entry(config: Path, entry: str) -> list[str]:
    """Append an entry to a configuration file and return its faults; with any, nothing is changed.

    Raises:
        OSError: the file cannot be written.
    """
    return write_configuration(config, f"{config.read_text(encoding='utf-8').rstrip()}\n\n{entry.strip()}\n")


def write_configuration(config: Path, text: str) -> list[str]:
    """Replace a configuration file by another text, with its owner and mode, unless that has faults; return them.

    Raises:
        OSError: the file cannot be written.
    """
    part = config.with_name(f"{config.name}.part")
    kept = config.stat()
    try:
        with os.fdopen(
            os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600), "w", encoding="utf-8"
        ) as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
        try:
            faults = configuration_faults(load(part))
        except SettingsError as error:
            faults = error.faults
        if not faults:
            part.chmod(kept.st_mode & 0o7777)
            with contextlib.suppress(PermissionError):  # whoever may not give it away owns it
                os.chown(part, kept.st_uid, kept.st_gid)
            part.replace(config)
        return faults
    finally:
        part.unlink(missing_ok=True)
