"""The quick tests on every Python that the project supports and the machine has: `nox`, or `nox -s quick-3.13`."""

import nox

nox.options.error_on_missing_interpreters = False
nox.options.reuse_existing_virtualenvs = True


@nox.session(python=["3.11", "3.12", "3.13"])
def quick(session: nox.Session) -> None:
    """Install the locked parts, and run what needs no service."""
    session.install("--require-hashes", "-r", "requirements.lock")
    session.install("--no-deps", "--no-build-isolation", "-e", ".")
    # From Python 3.13 on a store that is left open says so. Elsewhere it is chance which test would fail for it.
    left_open = ("-W", "error::ResourceWarning", "-W", "error::pytest.PytestUnraisableExceptionWarning")
    session.run(
        "pytest", "-q", *left_open, "tests/unit", "tests/property", "tests/contract", "tests/reference"
    )
