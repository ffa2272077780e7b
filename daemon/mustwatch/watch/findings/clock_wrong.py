"""Clock wrong: the daemon's own clock is known to be behind. Found by ``app.self_watch``."""

from mustwatch.watch.finding import About, Evidence, FindingKind

KIND = FindingKind("clock-wrong", About.DAEMON, Evidence, is_of_lot=False)
