"""What is wrong with the mirror, of each kind the latest; the worst is told."""

from collections.abc import Callable

from mustwatch.watch.finding import Severity

Told = tuple[str, Severity] | None
_ORDER = (Severity.NOTICE, Severity.WARNING, Severity.URGENT)


class Troubles:
    """Keeps the mirror's troubles and tells them as one."""

    def __init__(self, on_trouble: Callable[[Told], None]) -> None:
        """Begin with none. ``on_trouble`` is told when they come, grow worse, ease or go (None)."""
        self._on_trouble = on_trouble
        self._troubles: dict[str, tuple[str, Severity]] = {}
        self._told: Told = None
        self._is_known = False

    def note(self, kind: str, trouble: tuple[str, Severity] | None) -> None:
        """Note how one kind stands; None: well."""
        if trouble is None:
            self._troubles.pop(kind, None)
        else:
            self._troubles[kind] = trouble
        if trouble is not None or self._told is not None:
            self._tell()

    def all_clear(self) -> None:
        """Say once that all is well, if it is: a former run may have left its trouble open."""
        if not self._is_known and not self._troubles:
            self._told = None
            self._is_known = True
            self._on_trouble(None)

    def _tell(self) -> None:
        worst_first = sorted(self._troubles.values(), key=lambda t: _ORDER.index(t[1]), reverse=True)
        told: Told = ("; ".join(t[0] for t in worst_first), worst_first[0][1]) if worst_first else None
        if (told is None) != (self._told is None) or (told and self._told and told[1] is not self._told[1]):
            self._is_known = True
            self._told = told
            self._on_trouble(told)
