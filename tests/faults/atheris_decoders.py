"""The decoders under libFuzzer, where atheris is installed (pip install atheris): python atheris_decoders.py -runs=N."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))

import atheris

with atheris.instrument_imports(include=["mustwatch.ingest.decoders"]):
    from fault_payloads import decode_all

if __name__ == "__main__":
    atheris.Setup(sys.argv, decode_all)
    atheris.Fuzz()
