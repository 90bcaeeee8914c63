"""What the program is made of: bill of materials, licences, wheels for each system, known vulnerabilities.

    python .ci/supply.py sbom [FILE]        CycloneDX 1.6 from requirements.lock
    python .ci/supply.py licences           each package's licence; 1 where one is unknown or does not fit
    python .ci/supply.py wheels             whether each system has a wheel of everything; 1 where not
    python .ci/supply.py vulnerabilities    1 where a known one is found; says when nobody could be asked

``licences`` reads the metadata of installed packages, ``wheels`` and ``vulnerabilities`` ask the package
index by its ordinary clients, uv and pip-audit, about what is in the lock and nothing else.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import re
import subprocess
import sys
import tempfile
import tomllib
import uuid
from collections.abc import Iterator
from dataclasses import dataclass
from importlib.metadata import PackageNotFoundError, metadata
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
LOCK, DEV_LOCK = ROOT / "requirements.lock", ROOT / "requirements-dev.lock"
SYSTEMS = {
    "Windows x64": "x86_64-pc-windows-msvc",
    "macOS arm64": "aarch64-apple-darwin",
    "Linux x64 (glibc 2.31)": "x86_64-manylinux_2_31",
}
PYTHONS = ("3.11", "3.12", "3.13")
# SPDX names of licences under which a program of Apache-2.0 may use a package that it does not change:
# permissive ones (Apache Software Foundation, third-party licence policy, category A), those whose
# conditions end at their own files or library (category B and the LGPL), and free type.
FITTING = {
    "0BSD", "Apache-2.0", "BSD-2-Clause", "BSD-3-Clause", "BSL-1.0", "CC0-1.0", "HPND", "ISC",
    "LGPL-2.1-only", "LGPL-2.1-or-later", "LGPL-3.0-or-later", "MIT", "MIT-0", "MIT-CMU", "MPL-2.0",
    "OFL-1.1", "PSF-2.0", "Python-2.0", "Unlicense", "Zlib", "ZPL-2.1",
}  # fmt: skip
# What packages write instead of an SPDX name, and what such words stand for.
WORDS = {
    "3-clause bsd license": "BSD-3-Clause", "apache 2": "Apache-2.0", "apache 2.0": "Apache-2.0",
    "apache license 2.0": "Apache-2.0", "apache license, version 2.0": "Apache-2.0",
    "apache software license": "Apache-2.0", "bsd": "BSD-3-Clause", "bsd license": "BSD-3-Clause",
    "bsd-3": "BSD-3-Clause", "isc license (iscl)": "ISC", "mit license": "MIT", "mit": "MIT",
    "mozilla public license 2.0 (mpl 2.0)": "MPL-2.0", "new bsd": "BSD-3-Clause",
    "python software foundation license": "PSF-2.0", "sil ofl v1.1": "OFL-1.1",
    "the unlicense (unlicense)": "Unlicense", "lgplv3+": "LGPL-3.0-or-later",
    "gnu lesser general public license v3 or later (lgplv3+)": "LGPL-3.0-or-later",
    "gnu lesser general public license v2 or later (lgplv2+)": "LGPL-2.1-or-later",
}  # fmt: skip
# Where the metadata say nothing of use, or the package is for another system: read in the package itself.
READ = {
    "axe-playwright-python": "MIT",
    "colorama": "BSD-3-Clause",
    "pypdfium2": "BSD-3-Clause AND Apache-2.0",
}
# Libraries within wheels whose licences are others than the package's: linked dynamically, not changed.
WITHIN = {
    "cadquery-ocp": "Open CASCADE Technology: LGPL-2.1-only WITH OCCT-exception-1.0",
    "shapely": "GEOS: LGPL-2.1-or-later",
}


@dataclass(frozen=True)
class Pin:
    """A package of the lock; ``marker`` is where it is needed, "" for everywhere."""

    name: str
    version: str
    marker: str
    hashes: tuple[str, ...]


def pins(lock: Path) -> Iterator[Pin]:
    """The packages of a lock; ValueError for one without a hash."""
    for entry in lock.read_text(encoding="utf-8").replace("\\\n", " ").splitlines():
        head, *hashes = entry.split(" --hash=sha256:")
        name, _, rest = head.strip().partition("==")
        version, _, marker = rest.partition(" ; ")
        if not (name and version and hashes):
            raise ValueError(f"{lock.name}: {entry[:60]} has no version or no hash")
        yield Pin(name, version.strip(), marker.strip(), tuple(h.strip() for h in hashes))


def licence(name: str) -> str:
    """An SPDX expression, or the package's own words where they are not known; "" for none."""
    if name in READ:
        return READ[name]
    try:
        found = metadata(name)
    except PackageNotFoundError:
        return ""
    if expression := found.get("License-Expression"):
        return str(expression)
    told = [
        c.rpartition(" :: ")[2] for c in found.get_all("Classifier", []) if c.startswith("License :: OSI")
    ]
    told += [str(found.get("License") or "").strip().split("\n")[0]]
    return next((WORDS[t.lower()] for t in told if t.lower() in WORDS), next(filter(None, told), ""))


def fits(expression: str) -> bool:
    """Whether an SPDX expression leaves a choice (OR) of which all (AND) fit; exceptions only give more."""
    plain = re.sub(r"\s+WITH\s+\S+", "", expression).replace("(", " ").replace(")", " ")
    return any(
        all(one.strip() in FITTING for one in re.split(r"\bAND\b", choice))
        for choice in re.split(r"\bOR\b", plain)
    )


def sbom(lock: Path) -> dict[str, object]:
    """CycloneDX 1.6; the same lock gives the same bytes, so it names no moment."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    known = list(pins(lock))
    digest = hashlib.sha256(lock.read_bytes()).hexdigest()
    ref = f"pkg:pypi/{project['name']}@{project['version']}"
    return {
        "$schema": "http://cyclonedx.org/schema/bom-1.6.schema.json",
        "bomFormat": "CycloneDX",
        "specVersion": "1.6",
        "serialNumber": f"urn:uuid:{uuid.uuid5(uuid.NAMESPACE_OID, digest)}",
        "version": 1,
        "metadata": {
            "component": {
                "type": "application",
                "bom-ref": ref,
                "name": project["name"],
                "version": project["version"],
                "purl": ref,
                "licenses": [{"license": {"id": project["license"]}}],
            }
        },
        "components": [_component(pin) for pin in known],
    }


def _component(pin: Pin) -> dict[str, object]:
    purl = f"pkg:pypi/{pin.name}@{pin.version}"
    made: dict[str, object] = {
        "type": "library",
        "bom-ref": purl,
        "name": pin.name,
        "version": pin.version,
        "purl": purl,
        "scope": "optional" if pin.marker else "required",
        # Of each file that the index offers of this version; pip takes no other.
        "hashes": [{"alg": "SHA-256", "content": digest} for digest in pin.hashes],
    }
    if (found := licence(pin.name)) and fits(found):
        single = re.fullmatch(r"[A-Za-z0-9.-]+", found)
        made["licenses"] = [{"license": {"id": found}} if single else {"expression": found}]
    return made


def check_licences() -> int:
    wrong = 0
    for lock in (LOCK, DEV_LOCK):
        print(f"# {lock.name}")
        for pin in pins(lock):
            found = licence(pin.name)
            elsewhere = not found and pin.marker  # not installed here
            ok = bool(found) and fits(found)
            wrong += not (ok or elsewhere)
            within = f" ({WITHIN[pin.name]})" if pin.name in WITHIN else ""
            verdict = "" if ok or elsewhere else "  DOES NOT FIT"
            print(f"{pin.name} {pin.version}: {found or 'unknown'}{within}{verdict}")
    return int(wrong > 0)


def check_wheels() -> int:
    missing = 0
    for system, platform in SYSTEMS.items():
        for python in PYTHONS:
            with tempfile.TemporaryDirectory() as nowhere:
                words = [
                    "uv",
                    "pip",
                    "install",
                    "--dry-run",
                    "--no-deps",
                    "--require-hashes",
                    "-r",
                    str(LOCK),
                ]
                words += ["--only-binary", ":all:", "--python-platform", platform, "--python-version", python]
                done = subprocess.run(
                    [*words, "--target", nowhere], capture_output=True, encoding="utf-8", check=False
                )
            fault = "" if done.returncode == 0 else " ".join(done.stderr.split())[-300:]
            if "Failed to fetch" in done.stderr:
                fault = "the index could not be asked from here: NOT CHECKED"
            else:
                missing += bool(fault)
            print(f"{system}, Python {python}: {fault or 'a wheel of everything'}")
    return int(missing > 0)


def check_vulnerabilities() -> int:
    words = [
        "uv",
        "tool",
        "run",
        "--quiet",
        "pip-audit",
        "-r",
        str(LOCK),
        "--require-hashes",
        "--disable-pip",
    ]
    done = subprocess.run([*words, "-f", "json"], capture_output=True, encoding="utf-8", check=False)
    try:
        asked = json.loads(done.stdout)["dependencies"]
    except (ValueError, KeyError):
        asked = []
    answered = [one for one in asked if "vulns" in one]
    if not answered:
        print("vulnerabilities: no database could be asked from here: NOT CHECKED")
        return 0
    found = [(one, fault) for one in answered for fault in one["vulns"]]
    for one, fault in found:
        cure = ", ".join(fault["fix_versions"]) or "none yet"
        print(f"{one['name']} {one['version']}: {fault['id']}, mended in: {cure}")
    print(f"vulnerabilities: {len(answered)} of {len(asked)} packages asked about, {len(found)} found")
    return int(bool(found) or len(answered) < len(asked))


def main() -> int:
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("what", choices=("sbom", "licences", "wheels", "vulnerabilities"))
    parser.add_argument("file", nargs="?", type=Path, help="for the bill of materials")
    args = parser.parse_args()
    if args.what == "sbom":
        text = json.dumps(sbom(LOCK), indent=2) + "\n"
        if args.file:
            args.file.parent.mkdir(parents=True, exist_ok=True)
            args.file.write_text(text, encoding="utf-8", newline="\n")
        else:
            print(text, end="")
        return 0
    checks = {"licences": check_licences, "wheels": check_wheels, "vulnerabilities": check_vulnerabilities}
    return checks[args.what]()


if __name__ == "__main__":
    sys.exit(main())
