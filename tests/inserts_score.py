"""Prints what differs between every insert's key and its plan, in every way of writing the model.

python -m tests.inserts_score [NAME ...]
"""

from __future__ import annotations

import sys
import time
from pathlib import Path
from tempfile import TemporaryDirectory

sys.path.insert(0, str(Path(__file__).parent))

from inserts.compare import WAYS, differences, planned
from inserts.every import INSERTS


def main(names: list[str]) -> int:
    began, failed = time.process_time(), 0
    for name in names or INSERTS:
        words = []
        for way in WAYS:
            with TemporaryDirectory() as folder:
                found = list(differences(INSERTS[name], planned(INSERTS[name], way, Path(folder))))
            failed += bool(found)
            words.append(f"{way}: {'; '.join(found) or 'ok'}")
        print(f"{name:16} {' | '.join(words)}", flush=True)
    print(f"{failed} differ, {time.process_time() - began:.0f} s of processor time")
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
