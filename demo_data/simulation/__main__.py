"""`python -m demo_data.simulation [--out FOLDER] [--truth FOLDER]`: make the demo day again."""

import argparse
from pathlib import Path

from demo_data.simulation import truth
from demo_data.simulation.make import run_day

parser = argparse.ArgumentParser(description=__doc__)
parser.add_argument("--out", type=Path, default=Path(__file__).parents[1] / "day")
parser.add_argument("--truth", type=Path)
args = parser.parse_args()
day = run_day()
day.folder.write(args.out)
size = sum(len(text.encode()) for text in day.folder.files.values())
print(f"{len(day.folder.files)} files, {size / 1e6:.1f} MB, {len(day.hotline.tickets)} tickets: {args.out}")
if args.truth:
    truth.write(args.truth, day.engine, day.hotline, day.defects)
