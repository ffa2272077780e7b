"""What there is to say of each kind of finding: one file for each, named as the kind's in ``watch/findings``."""
