"""Text for the configuration file: what is proposed to be copied into it."""


def quoted(text: str) -> str:
    """Return a TOML basic string. Source: TOML 1.0, strings."""
    out = "".join(
        {"\\": "\\\\", '"': '\\"'}.get(c, c)
        if c.isprintable()
        else f"\\u{ord(c):04x}"
        if ord(c) < 0x10000
        else f"\\U{ord(c):08x}"
        for c in text
    )
    return f'"{out}"'
