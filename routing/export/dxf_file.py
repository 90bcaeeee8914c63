"""A DXF file (R2010, millimetres) that has the same bytes whenever the same is drawn."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any


@contextmanager
def drawing(path: Path, setup: bool | list[str] = False) -> Iterator[Any]:
    """The document to draw into, written when the block ends; ``setup`` as ezdxf.new has it."""
    import ezdxf
    from ezdxf import units

    fixed = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True  # no date and no random id
    try:
        document = ezdxf.new("R2010", setup=setup)
        document.units = units.MM
        yield document
        document.commit_pending_changes()
        # The library names the classes in the order of a set, which is another in each run.
        for name in sorted(document.entitydb.dxf_types_in_use()):
            document.classes.add_class(name)
        document.saveas(path)
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = fixed
