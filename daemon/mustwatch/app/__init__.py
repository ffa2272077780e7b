"""The running daemon: wired, started, watched over, closed; readings from arrival to acknowledgement."""
