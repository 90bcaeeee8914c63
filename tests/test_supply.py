"""Locks, bill of materials and licences, by the script that .ci/run calls."""

from __future__ import annotations

import importlib.util
import re
import sys
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def supply() -> Any:
    spec = importlib.util.spec_from_file_location("supply", ROOT / ".ci" / "supply.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["supply"] = module
    spec.loader.exec_module(module)
    return module


def test_the_two_locks_agree(supply: Any) -> None:
    run, dev = ({p.name: p for p in supply.pins(lock)} for lock in (supply.LOCK, supply.DEV_LOCK))
    assert {name: run[name].version for name in run} == {
        name: dev[name].version for name in run if name in dev
    }
    assert len(dev) > len(run)


def test_a_pin_without_a_hash_is_refused(supply: Any, tmp_path: Path) -> None:
    (tmp_path / "a.lock").write_text("numpy==2.4.6\n")
    with pytest.raises(ValueError, match="no hash"):
        list(supply.pins(tmp_path / "a.lock"))


def test_the_bill_names_every_package_with_its_hashes(supply: Any) -> None:
    """Fields that CycloneDX 1.6 asks for (ECMA-424, 5.2); package URLs as purl-spec has them for PyPI."""
    bill = supply.sbom(supply.LOCK)
    assert (bill["bomFormat"], bill["specVersion"], bill["version"]) == ("CycloneDX", "1.6", 1)
    assert re.fullmatch(r"urn:uuid:[0-9a-f]{8}(-[0-9a-f]{4}){3}-[0-9a-f]{12}", bill["serialNumber"])
    assert {c["purl"] for c in bill["components"]} == {
        f"pkg:pypi/{p.name}@{p.version}" for p in supply.pins(supply.LOCK)
    }
    refs = [c["bom-ref"] for c in [bill["metadata"]["component"], *bill["components"]]]
    assert len(set(refs)) == len(refs)
    for component in bill["components"]:
        assert component["type"] == "library"
        assert component["scope"] in ("required", "optional")
        assert component["hashes"]
        assert all(re.fullmatch(r"[0-9a-f]{64}", h["content"]) for h in component["hashes"])
    assert supply.sbom(supply.LOCK) == bill


@pytest.mark.parametrize(
    ("expression", "fits"),
    [
        ("MIT", True),
        ("MIT OR GPL-3.0-only", True),
        ("MIT AND GPL-3.0-only", False),
        ("BSD-3-Clause AND (MIT AND Zlib)", True),
        ("LGPL-2.1-only WITH OCCT-exception-1.0", True),
        ("AGPL-3.0-only", False),
        ("GPL-2.0-or-later", False),
        ("", False),
        ("see the web site", False),
    ],
)
def test_a_licence_fits_or_not(supply: Any, expression: str, fits: bool) -> None:
    assert supply.fits(expression) is fits


def test_licences_of_all_that_is_needed_to_run(supply: Any) -> None:
    for pin in supply.pins(supply.LOCK):
        found = supply.licence(pin.name)
        if not found and (
            pin.marker or pin.name in ("editables", "hatchling", "tomlkit", "trove-classifiers")
        ):
            continue  # not installed on this system, or only to install
        assert supply.fits(found), f"{pin.name}: {found or 'unknown'}"
