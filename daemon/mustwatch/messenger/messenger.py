"""The daemon's side: a ``Deliverer`` and a drawer of pictures whose work the messenger does."""

from mustwatch.deliver.deliverer import Outcome, Parcel, TellAddress
from mustwatch.deliver.lane import Pace
from mustwatch.messenger.errands import ErrandError, Errands
from mustwatch.views.message_chart import Chart

IDLE_S = 60.0
"""How long it stays when there is nothing to do: what belongs to one trouble comes within seconds."""

ANSWER_LIMIT_S = 2 * Pace().send_limit_s
"""A sending without an answer ends the process. The worker has taken it for failed long before; an answer that comes
late still counts until then."""

DRAW_LIMIT_S = 20.0
"""The same for a picture: on a Pi one takes a second or two, and its message waits for it."""


class Messenger:
    """Tells and draws in a second process. Safe to call from any thread; a hanging sending holds up nobody else's.

    Args:
        idle_s: how long the process stays when nothing is asked of it.
        answer_limit_s: how long one sending may take before the process is ended…
        draw_limit_s: …and one picture.
    """

    def __init__(
        self,
        *,
        idle_s: float = IDLE_S,
        answer_limit_s: float = ANSWER_LIMIT_S,
        draw_limit_s: float = DRAW_LIMIT_S,
    ) -> None:
        """Make one; nothing is started yet."""
        self._errands = Errands("mustwatch.messenger", "the messenger", idle_s)
        self._answer_limit_s = answer_limit_s
        self._draw_limit_s = draw_limit_s

    @property
    def pid(self) -> int | None:
        """Return the number of the process, or None while there is none."""
        return self._errands.pid

    def rouse(self, address: TellAddress) -> None:
        """Have a process ready that will soon tell somebody, without waiting for it. Never raises."""
        self._errands.begin("prepare", address)

    def deliver(self, address: TellAddress, parcel: Parcel) -> Outcome:
        """Try once."""
        try:
            outcome = self._errands.ask(self._answer_limit_s, "deliver", address, parcel)
        except ErrandError as error:
            return Outcome(False, f"{address.shown}: {error}", may_have_arrived=error.was_begun)
        if not isinstance(outcome, Outcome):
            return Outcome(False, f"{address.shown}: the messenger answered nonsense", may_have_arrived=True)
        return outcome

    def draw(self, chart: Chart) -> bytes:
        """Return a chart as a PNG.

        Raises:
            ErrandError: it could not be drawn.
        """
        picture = self._errands.ask(self._draw_limit_s, "draw", chart)
        if not isinstance(picture, bytes):
            raise ErrandError("the messenger drew nothing", was_begun=True)
        return picture

    def close(self) -> None:
        """End the process, whatever it does, and be left without any: every later call fails."""
        self._errands.close()
