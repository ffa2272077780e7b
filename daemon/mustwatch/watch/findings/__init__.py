"""What can be found: one file for each kind, named as the kind is with ``_`` for ``-``."""
