"""Loads the one plugin of the notification library that an address needs, instead of all two hundred.

All of them take a second and 16 MB on a server, several seconds on a Pi: the first message after a start would wait for
it, and a cellar that tells one address would keep them in memory for ever. An address whose plugin is not found by its
scheme (a service's own https address, an unusual plugin) has the library load everything, as it does by itself.
"""

import logging
import re
from collections.abc import Iterator
from contextlib import suppress
from importlib import import_module
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

log = logging.getLogger(__name__)

_SCHEME = re.compile(r"([a-z0-9_+.-]+)://", re.IGNORECASE)

_has_begun = False
_has_all = False


def load_for(url: str) -> None:
    """Have the library know the scheme of a URL. Call it under a lock; it never raises."""
    global _has_begun, _has_all  # the library's registry is one for the process, and so is this
    if _has_all:
        return
    from apprise import plugins

    registry: Any = plugins.N_MGR
    try:
        if not _has_begun:
            with TemporaryDirectory() as nothing:  # of what is there, it loads all: nothing
                registry.load_modules(path=nothing)
            _has_begun = True
        found = _SCHEME.match(url.strip())
        if found is not None and _has_scheme(registry, found[1].lower()):
            return
    except Exception as error:  # noqa: BLE001 - no room for a folder, or another version than this was made for
        log.info("all plugins of the notification library are loaded reason=%s", type(error).__name__)
    with suppress(Exception):
        registry.unload_modules()  # it loads everything when it is asked next
    _has_all = True


def _has_scheme(registry: Any, scheme: str) -> bool:
    """Say whether the registry knows a scheme, having added its plugin if it can be found."""
    if scheme in registry:
        return True
    return any(scheme in plugin.schemas(plugin) and registry.add(plugin) for plugin in _candidates(scheme))


def _candidates(scheme: str) -> Iterator[Any]:
    """Yield the plugin classes whose source assigns a scheme as one of their protocols."""
    import apprise.plugins

    assigned = re.compile(
        rf"^\s+(?:secure_)?protocol\s*=\s*[(\[{{]?[^)\]}}=]*[\"']{re.escape(scheme)}[\"']", re.MULTILINE
    )
    word = scheme.encode()
    folder = Path(apprise.plugins.__file__).parent
    for file in sorted([*folder.glob("[a-z]*.py"), *folder.glob("[a-z]*/*.py")]):
        source = file.read_bytes()
        if (
            word not in source or assigned.search(source.decode()) is None
        ):  # to look for the word costs a tenth
            continue
        name = file.stem if file.parent == folder else file.parent.name
        module = import_module(f"apprise.plugins.{name}")
        for of_module in dir(module):
            plugin = getattr(module, of_module)
            if of_module.startswith("Notify") and hasattr(plugin, "app_id"):
                yield plugin
