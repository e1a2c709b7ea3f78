"""Spoilt photo files of every kind, for as long as one likes: each opens or says why.

    python tests/bench/fuzz_photos.py --seconds 60               # a minute for each kind
    python tests/bench/fuzz_photos.py --kind dng --seed 5000 --seconds 600
    python tests/bench/fuzz_photos.py --more DIR                 # and files of one's own

The files are opened in processes of their own under a bound of memory, so that a decoder that
crashes is told with the seed that did it: add it to KEPT in `test_photo_fuzz.py`.
"""

from __future__ import annotations

import argparse
import os
import resource
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from photo_mutations import mutated
from test_photo_fuzz import SOUND

from fullhide.errors import PhotoError
from fullhide.photo import open_photo

BATCH, MEMORY, MOST_PIXELS = 200, 6 << 30, 2_000_000


def opened(path: Path) -> str:
    """What came of it in one word, or what should not have."""
    try:
        open_photo(path, max_pixels=MOST_PIXELS)
    except PhotoError as error:
        return "refused" if "\n" not in str(error) else "SEVERAL_LINES"
    except BaseException as error:  # noqa: BLE001 - what is looked for
        return f"RAISED_{type(error).__name__}"
    return "opened"


def batch(sound: bytes, first: int, folder: Path) -> tuple[list[tuple[str, float]], int]:
    """Answers and seconds of seeds from `first` on, and how the process ended."""
    reader, writer = os.pipe()
    child = os.fork()
    if child == 0:
        os.close(reader)
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        path = folder / "spoilt"
        for seed in range(first, first + BATCH):
            path.write_bytes(mutated(sound, seed))
            start = time.perf_counter()
            answer = opened(path)
            os.write(writer, f"{answer} {time.perf_counter() - start}\n".encode())
        os._exit(0)
    os.close(writer)
    with os.fdopen(reader) as lines:
        answers = [(line.split()[0], float(line.split()[1])) for line in lines]
    return answers, os.waitpid(child, 0)[1]


def main() -> int:
    """Run and print a line for each kind."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--seconds", type=float, default=20.0, help="for each kind")
    parser.add_argument("--seed", type=int, default=0, help="the first")
    parser.add_argument("--kind", nargs="+", choices=SOUND, help="these only")
    parser.add_argument("--more", type=Path, help="a folder of photos to spoil as well")
    wanted = parser.parse_args()
    kinds = {kind: SOUND[kind] for kind in wanted.kind or SOUND}
    for path in sorted(wanted.more.iterdir()) if wanted.more else ():
        kinds[path.name] = path.read_bytes()
    bad = 0
    with tempfile.TemporaryDirectory() as name:
        for kind, sound in kinds.items():
            end, seed = time.monotonic() + wanted.seconds, wanted.seed
            count, slowest = Counter[str](), 0.0
            while time.monotonic() < end:
                answers, status = batch(sound, seed, Path(name))
                count.update(answer for answer, _ in answers)
                slowest = max([slowest, *(seconds for _, seconds in answers)])
                seed += len(answers)
                if status:
                    count[f"CRASH_of_seed_{seed}_status_{status}"] += 1
                    seed += 1
            bad += sum(number for answer, number in count.items() if answer[0].isupper())
            told = ", ".join(f"{answer} {number}" for answer, number in sorted(count.items()))
            print(f"{kind:16} {told}; slowest {slowest:.1f} s", flush=True)
    return 1 if bad else 0


if __name__ == "__main__":
    sys.exit(main())
