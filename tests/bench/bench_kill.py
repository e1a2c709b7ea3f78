"""Kill processes while they write a record, and count what is lost. Our own writers, SIGKILL.

    python tests/bench/bench_kill.py [KILLS] [SEED]

200 kills if not said otherwise; the test of the same takes 60. Lost: events that a writer had told
of as finished; half: events that hold only a part; unreadable: records that cannot be read.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))

from kill_writers import main

if __name__ == "__main__":
    kills, seed = [int(word) for word in sys.argv[1:]] + [200, 1][len(sys.argv) - 1 :]
    with tempfile.TemporaryDirectory() as name:
        print(main(Path(name), kills, seed))
