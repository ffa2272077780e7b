"""mustwatch: watches fermenting wine and calls the winemaker when something must be done.

``must``, ``cellar``, ``watch`` and ``alerting`` are pure: no file, no socket, no clock. Around them stand the edges
(``ingest``, ``store``, ``deliver``, ``web``); ``app`` wires them into the daemon, ``cli`` holds the commands.
"""

__version__ = "0.1.0"
