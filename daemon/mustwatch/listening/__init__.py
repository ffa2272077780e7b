"""The first hour: what arrives on the broker and what it could be, and what around the daemon must be mended."""
