"""``python -m mustwatch``."""

from mustwatch.cli import main

if __name__ == "__main__":
    main()
