"""How to reach the broker, as the source needs it. The composition root makes it from the configuration."""

from dataclasses import dataclass, field
from pathlib import Path
from typing import Final, Literal

from mustwatch.ingest.redelivery import CAPACITY

SESSION_EXPIRY_S: Final = 14 * 24 * 3600
"""How long the broker keeps our session, and every message for it, while we are away: a machine that is off over a
fortnight's holiday loses nothing (as far as the broker's own queue limit goes)."""

RECEIVE_MAXIMUM: Final = 2000
"""Messages the broker may have under way to us unacknowledged: well above a batch, or the flow would stall until
each batch's commit; well below what the redelivery ledger remembers."""


class BrokerSettingsError(ValueError):
    """The broker's settings cannot be used; says which, and what was expected."""


@dataclass(frozen=True, slots=True)
class BrokerSettings:
    """Where the broker is and who we are to it.

    Attributes:
        client_id: fixed: the broker keeps the session under it. Two daemons must not share one.
        password: never shown, logged or compared in messages.
        ca_file: the certificate authority to trust, PEM; None with ``tls`` for the system's own.
        protocol: MQTT 5 or 3.1.1 (written 4, as on the wire).
        session_expiry_s: seconds the broker keeps the session; MQTT 5 only, under 3.1.1 the broker decides.
        keepalive_s: a broken connection is noticed within one and a half of this.
        receive_maximum: see ``RECEIVE_MAXIMUM``; under 3.1.1 the broker's own limit holds instead.
    """

    host: str = "127.0.0.1"
    port: int = 1883
    client_id: str = "mustwatch"
    username: str | None = None
    password: str | None = field(default=None, repr=False)
    tls: bool = False
    ca_file: Path | None = None
    protocol: Literal[5, 4] = 5
    session_expiry_s: int = SESSION_EXPIRY_S
    keepalive_s: int = 60
    receive_maximum: int = RECEIVE_MAXIMUM

    def __post_init__(self) -> None:
        """Refuse what would lose messages.

        Raises:
            BrokerSettingsError: no client id, no session expiry, or limits out of their range.
        """
        if not self.client_id:
            raise BrokerSettingsError(
                "client_id is empty; expected a fixed name, under which the broker keeps messages"
            )
        if not 0 < self.session_expiry_s < 2**32:
            raise BrokerSettingsError(
                f"session_expiry_s is {self.session_expiry_s}; expected 1 to 4294967294 seconds"
            )
        if not 0 < self.receive_maximum <= CAPACITY // 2:
            raise BrokerSettingsError(
                f"receive_maximum is {self.receive_maximum}; expected 1 to {CAPACITY // 2} messages"
            )
        if self.ca_file is not None and not self.ca_file.is_file():
            raise BrokerSettingsError(
                f"ca_file {self.ca_file} is not there; expected a certificate authority's PEM file"
            )
