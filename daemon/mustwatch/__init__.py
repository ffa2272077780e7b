"""mustwatch: watches fermenting wine and calls the winemaker when something must be done.

Above the line (``must``, ``cellar``, ``watch``, ``alerting``) everything is pure: no file, no socket, no clock.
Below it (``ingest``, ``store``, ``deliver``, ``review``, ``web``, ``cli``) the edges; ``service`` wires them.
"""

__version__ = "0.1.0"
