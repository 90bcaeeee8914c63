"""The guide's program runs as it stands."""

from __future__ import annotations

import re
import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).parents[1]


def test_the_program_in_the_guide_runs(tmp_path: Path) -> None:
    (program,) = re.findall(r"```python\n(.*?)```", (ROOT / "docs/guide.md").read_text(), re.DOTALL)
    (tmp_path / "demo_models").symlink_to(ROOT / "demo_models")
    done = subprocess.run(
        [sys.executable, "-c", program],
        check=False,
        cwd=tmp_path,
        capture_output=True,
        text=True,
        timeout=300,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert "surface grind True" in done.stdout
    assert float(done.stdout.split()[-1]) > 0
    assert (tmp_path / "forming-route/route.json").exists()
