"""Command line of the simulator: `python -m tests.simulate demo`."""

import argparse
import sys
from pathlib import Path

from tests.simulate.demo import write_demo

REPOSITORY = Path(__file__).resolve().parents[2]
DEMO_FOLDER = REPOSITORY / "inbox_demo"
DEMO_MANIFEST = Path(__file__).resolve().parent / "demo_manifest.json"


def main() -> int:
    """Rewrite the demo, and say how large it became."""
    parser = argparse.ArgumentParser(prog="python -m tests.simulate")
    commands = parser.add_subparsers(dest="command", required=True)
    demo = commands.add_parser("demo", help="rewrite inbox_demo/ and the manifest of its truth")
    demo.add_argument("--out", type=Path, default=DEMO_FOLDER, help="folder to write")
    demo.add_argument("--manifest", type=Path, default=DEMO_MANIFEST, help="file for the truth")
    chosen = parser.parse_args()
    size = write_demo(chosen.out, chosen.manifest)
    sys.stdout.write(f"{chosen.out}: {size / 1e6:.2f} MB; truth in {chosen.manifest}\n")
    return 0


if __name__ == "__main__":
    sys.exit(main())
