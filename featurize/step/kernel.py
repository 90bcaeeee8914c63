"""Reads a STEP file with the kernel. Import this late, best in a child process."""

from __future__ import annotations

import io
import re
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from OCP.IFSelect import IFSelect_ReturnStatus
from OCP.Interface import Interface_Static
from OCP.STEPCAFControl import STEPCAFControl_Reader
from OCP.STEPControl import STEPControl_Controller, STEPControl_Reader
from OCP.StepRepr import StepRepr_Representation
from OCP.TCollection import TCollection_ExtendedString
from OCP.TColStd import TColStd_SequenceOfAsciiString
from OCP.TDF import TDF_Label, TDF_LabelSequence
from OCP.TDocStd import TDocStd_Document
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS
from OCP.XCAFDoc import XCAFDoc_DocumentTool, XCAFDoc_ShapeTool

from featurize.brep.shapes import FACE, SHELL, SOLID, each, outside, plural
from featurize.errors import Code, StepError, is_memory_short
from featurize.feature import Callout
from featurize.isolate import report
from featurize.step.codepage import UNKNOWN, in_ascii
from featurize.step.document import Colour, Skip, SolidPart, StepDocument
from featurize.step.header import BYTE_ORDER_MARK, Header
from featurize.step.heal import OpenSkin, WorkingBody, close, heal_solid
from featurize.step.losses import CHECK, losses, meshes
from featurize.step.names import ByShape, StepNames, label_colour, label_name, product_colours
from featurize.step.notes import NoteSeverity, ReadNote, blocking, note, warning
from featurize.step.place import placed
from featurize.step.pmi import Seen, read_pmi
from featurize.step.quiet import quiet_kernel
from featurize.step.syntax import without_long_tokens

# Edges farther off their faces bound nothing: what is computed on them is nonsense, or never ends.
_HOPELESS_MM = 1.0

# The kernel's names for entities of geometry and topology (ISO 10303-42) begin so.
_SHAPE_ENTITIES = ("StepGeom_", "StepShape_")

_SKIPPED = {
    Skip.PMI: "tolerances and other PMI",
    Skip.EXTRAS: "colours, assembly names and PMI",
}

# Told elsewhere in our words, and a mere matter of how a closed surface is stored.
_UNREMARKABLE = ("Can not read external file", "Surface forced to be periodic")

# Changes after which the part may be another; others move an edge within the kernel's tolerance.
_SERIOUS = re.compile("orient|direction|reversed|split|skipped|(?:face|wire|shell|solid) removed")

_UNITS = {
    "millimetre": "mm",
    "millimeter": "mm",
    "centimetre": "cm",
    "centimeter": "cm",
    "metre": "m",
    "meter": "m",
    "micrometre": "um",
    "micrometer": "um",
    "foot": "ft",
    "in": "inch",
}


@dataclass
class _Product:
    """One shape of the file and the places at which it stands."""

    name: str
    shape: Any
    colours: ByShape[Colour | None]
    places: list[Any] = field(default_factory=list)
    pmi: list[Seen] = field(default_factory=list)  # of the whole file: each solid takes what is on its faces


def load(path: Path, header: Header, skip: Skip = Skip.NOTHING) -> StepDocument:
    """All solids of a STEP file whose text was checked; raises StepError when there are none."""
    try:
        return _load(path, header, skip)
    except StepError:
        raise
    except Exception as error:  # the kernel's exceptions are of many kinds
        if is_memory_short(error):
            raise
        message = (
            f"{path.name} holds geometry that the kernel cannot work with: repair it and export it again."
        )
        raise StepError(Code.UNREADABLE, message) from error


def _load(path: Path, header: Header, skip: Skip) -> StepDocument:
    with quiet_kernel():
        notes = list(header.notes)
        read = _transfer(path, skip, header, notes)
        missing = [name for name in header.external if not (path.parent / name).is_file()]
        if missing:
            text = f"Parts are missing: the files {', '.join(missing)} are referred to but not there."
            notes.append(blocking("files-missing", text))
        if len(missing) < len(header.external):
            notes.append(note("names-not-read", "Face names in the files that it refers to are not read."))
        parts, left = _all_parts(read.products, read.names, path.stem)
        if not parts:
            raise _no_solid(path.name, left, missing, read, notes)
        if left:
            notes.append(
                blocking("surfaces-left-out", f"Surfaces that close to no solid were left out ({left}).")
            )
        if not read.units:
            notes.append(warning("no-unit", "The file names no length unit: millimetres were assumed."))
    return StepDocument(path, header.sha256, header.schema, ", ".join(read.units) or "mm", parts, notes)


@dataclass(frozen=True)
class _Transferred:
    products: list[_Product]
    names: StepNames
    units: list[str]
    faulty: int  # shapes with faults in their text
    meshes: Callable[[], int]  # how many bodies are triangles: asked where there is nothing else


def _transfer(path: Path, skip: Skip, header: Header, notes: list[ReadNote]) -> _Transferred:
    report(f"reading {path.name}")
    STEPControl_Controller.Init_s()  # the settings exist only from here on
    for name, value in (
        ("xstep.cascade.unit", "MM"),
        ("read.step.tessellated", "Off"),
        ("read.step.codepage", header.page.kernel),
    ):
        Interface_Static.SetCVal_s(name, value)
    while True:
        try:
            products, session, units = _products_with(path, skip, header)
            break
        except StepError:
            raise
        except Exception as error:  # the kernel's exceptions are of many kinds
            if skip == Skip.EXTRAS or is_memory_short(error):
                raise
            skip = Skip(skip + 1)
    if skip:
        text = f"Read without {_SKIPPED[skip]}: the kernel could not read the file with them."
        notes.append(warning("read-without", text))
    notes += _corrections(session)
    faulty = _faulty_shapes(session.Model())
    if faulty:
        text = f"The file has {plural(faulty, 'faulty shape')}: {CHECK}."
        notes.append(blocking("shapes-faulty", text))
    notes += losses(header, session, [product.shape for product in products])
    return _Transferred(products, StepNames(session), units, faulty, lambda: meshes(session))


def _products_with(path: Path, skip: Skip, header: Header) -> tuple[list[_Product], Any, list[str]]:
    if skip == Skip.EXTRAS:
        return _bare_product(path, header)
    return _full_products(path, header, pmi=not skip)


def _full_products(path: Path, header: Header, *, pmi: bool) -> tuple[list[_Product], Any, list[str]]:
    # Only the session outlives the reader: its inner reader must not be handed out.
    reader = STEPCAFControl_Reader()
    reader.SetNameMode(True)
    reader.SetColorMode(True)
    reader.SetGDTMode(pmi)
    _read(reader, path, header)
    document = TDocStd_Document(TCollection_ExtendedString("step"))
    if not reader.Transfer(document):
        raise RuntimeError("nothing transferred")
    session = reader.Reader().WS()
    products = _products(document)
    seen = read_pmi(document, session) if pmi else []
    for product in products:
        product.pmi = seen
    return products, session, _units(reader.ChangeReader())


def _bare_product(path: Path, header: Header) -> tuple[list[_Product], Any, list[str]]:
    reader = STEPControl_Reader()
    _read(reader, path, header)
    try:
        reader.TransferRoots()
        shape = reader.OneShape()
    except Exception as error:
        if is_memory_short(error):
            raise
        message = f"The kernel cannot translate {path.name}: export it again, or in another STEP version."
        raise StepError(Code.UNREADABLE, message) from error
    products = [] if shape.IsNull() else [_Product("", shape, ByShape(), [TopLoc_Location()])]
    return products, reader.WS(), _units(reader)


def _read(reader: Any, path: Path, header: Header) -> None:
    if header.page != UNKNOWN and _reads(lambda: reader.ReadFile(str(path))):
        return
    text = path.read_bytes().removeprefix(BYTE_ORDER_MARK)  # the kernel chokes on it
    mended = without_long_tokens(in_ascii(text) if header.page == UNKNOWN else text)
    if not _reads(lambda: reader.ReadStream(str(path), io.BytesIO(mended))):
        why = next(map(str, header.notes), "it is damaged inside its STEP text: export it again.")
        raise StepError(Code.UNREADABLE, f"{path.name}: {why}")


def _reads(read: Callable[[], Any]) -> bool:
    try:
        return bool(read() == IFSelect_ReturnStatus.IFSelect_RetDone)
    except Exception as error:  # as above
        if is_memory_short(error):
            raise
        return False


def _corrections(session: Any) -> Iterator[ReadNote]:
    """What the kernel could not translate or changed, in its own words."""
    checks = session.TransferReader().TransientProcess().CheckList(False)
    failed: Counter[str] = Counter()
    changed: Counter[str] = Counter()
    checks.Start()
    while checks.More():
        check = checks.Value()
        failed.update(check.CFail(i + 1) for i in range(check.NbFails()))
        changed.update(check.CWarning(i + 1) for i in range(check.NbWarnings()))
        checks.Next()
    if text := _listed(failed):
        yield blocking("translation-failed", f"Not all could be translated ({text}): {CHECK}.")
    if text := _listed(changed):
        tell = blocking if _SERIOUS.search(text) else warning
        yield tell("translation-changed", f"Reading was not straightforward ({text}): {CHECK}.")


def _listed(found: Mapping[str, int]) -> str:
    return "; ".join(
        f"{n} x {_plain(text)}" for text, n in found.items() if not text.startswith(_UNREMARKABLE)
    )


def _plain(text: str) -> str:
    """One short line of ASCII, whatever the kernel cites."""
    return " ".join(text.encode("ascii", "replace").decode().split())[:80].lower()


def _faulty_shapes(model: Any) -> int:
    """Geometry and topology that the kernel finds faulty (faults in drawings and styles do no harm)."""
    return sum(
        model.IsErrorEntity(i) and type(model.Value(i)).__name__.startswith(_SHAPE_ENTITIES)
        for i in range(1, model.NbEntities() + 1)
        if not isinstance(model.Value(i), StepRepr_Representation)
    )


def _units(reader: Any) -> list[str]:
    lengths, angles, solid_angles = (TColStd_SequenceOfAsciiString() for _ in range(3))
    reader.FileUnits(lengths, angles, solid_angles)
    found = [lengths.Value(i + 1).ToCString().strip().lower() for i in range(lengths.Length())]
    return list(dict.fromkeys(_UNITS.get(unit, unit) for unit in found if unit))


def _products(document: Any) -> list[_Product]:
    """The products of an XCAF document, each with its places, in the order of the file."""
    tool = XCAFDoc_DocumentTool.ShapeTool_s(document.Main())
    roots = TDF_LabelSequence()
    tool.GetFreeShapes(roots)
    products: dict[str, _Product] = {}
    for root in _sequence(roots):
        for label, place, colour, name in _leaves(root, TopLoc_Location(), None, ""):
            key = _entry(label)
            if key not in products:
                shape = XCAFDoc_ShapeTool.GetShape_s(label)
                products[key] = _Product(name, shape, product_colours(label, colour))
            products[key].places.append(place)
    return list(products.values())


def _leaves(
    label: Any, place: Any, colour: Colour | None, name: str
) -> Iterator[tuple[Any, Any, Colour | None, str]]:
    """The simple shapes below a label, each with its place, its place's colour, and its own name
    or that of the next above it that has one."""
    if XCAFDoc_ShapeTool.IsReference_s(label):
        referred = TDF_Label()
        XCAFDoc_ShapeTool.GetReferredShape_s(label, referred)
        here = place.Multiplied(XCAFDoc_ShapeTool.GetLocation_s(label))
        yield from _leaves(referred, here, colour or label_colour(label), name)
        return
    name = label_name(label) or name
    if XCAFDoc_ShapeTool.IsAssembly_s(label):
        components = TDF_LabelSequence()
        XCAFDoc_ShapeTool.GetComponents_s(label, components, False)
        for component in _sequence(components):
            yield from _leaves(component, place, colour, name)
    else:
        yield label, place, colour, name


def _sequence(labels: Any) -> list[Any]:
    return [labels.Value(i + 1) for i in range(labels.Length())]


def _entry(label: Any) -> str:
    tags = []
    while not label.IsRoot():
        tags.append(str(label.Tag()))
        label = label.Father()
    return ":".join(reversed(tags))


def _all_parts(products: list[_Product], names: StepNames, stem: str) -> tuple[list[SolidPart], OpenSkin]:
    """The parts of all products, and the skins that close to nothing.

    Skins that stay open alone are tried together: some exporters make each face a product.
    """
    parts: list[SolidPart] = []
    still_open: list[tuple[_Product, list[Any]]] = []
    left = left_open = OpenSkin()
    for product in products:
        report(f"checking {product.name or stem}")
        found, skins, unclosed = _parts(product, names, stem)
        parts += found
        if skins:
            still_open.append((product, skins))
            left_open += unclosed
        else:
            left += unclosed
    if len(still_open) > 1:
        colours: ByShape[Colour | None] = ByShape()
        there = []
        for product, skins in still_open:
            for skin in skins:
                there += [skin.Moved(place, False) for place in product.places]
                for face in each(skin, FACE):
                    colours[face] = product.colours.get(face, None)
        bodies, unclosed = close(there)
        if bodies:
            together = _Product(stem, None, colours, [TopLoc_Location()], still_open[0][0].pmi)
            parts += _as_parts(together, [(body, 1, "") for body in bodies], names, stem)
            left_open = unclosed
    return parts, left + left_open


def _parts(product: _Product, names: StepNames, stem: str) -> tuple[list[SolidPart], list[Any], OpenSkin]:
    """The solids of one product, identical copies counted; the skins when none of them closes; and
    what did not close."""
    copies: dict[int, list[Any]] = {}
    seen: ByShape[int] = ByShape()
    for solid in each(product.shape, SOLID):
        first = seen.get(solid, len(copies))
        seen[solid] = first
        copies.setdefault(first, []).append(solid)
    bodies: list[tuple[WorkingBody, int, str]] = []
    left = OpenSkin()
    for solids in copies.values():
        healed, unclosed = heal_solid(TopoDS.Solid_s(solids[0]))
        bodies += [(body, len(solids), names.of(solids[0])) for body in healed]
        left += unclosed
    skins = outside(product.shape, SHELL, SOLID) + outside(product.shape, FACE, SHELL)
    if skins:
        closed, unclosed = close(skins)
        bodies += [(body, 1, "") for body in closed]
        left += unclosed
        skins = [] if closed else skins
    return _as_parts(product, bodies, names, stem), skins, left


def _as_parts(
    product: _Product, bodies: list[tuple[WorkingBody, int, str]], names: StepNames, stem: str
) -> list[SolidPart]:
    titles = _titles(product.name or stem, [own for _, _, own in bodies])
    for (body, _, _), title in zip(bodies, titles, strict=True):
        if not body.misfit.width_mm <= _HOPELESS_MM:
            raise StepError(
                Code.UNREADABLE,
                f"{title} is damaged: its edges and faces are apart {body.misfit}, too far to work with: "
                "export it again.",
            )
    return [
        _as_part(product, body, count * len(product.places), title, names)
        for (body, count, _), title in zip(bodies, titles, strict=True)
    ]


def _as_part(product: _Product, body: WorkingBody, count: int, title: str, names: StepNames) -> SolidPart:
    here = placed(title, TopoDS.Solid_s(body.solid.Moved(product.places[0], False)))
    return SolidPart(
        solid=here.solid,
        name=title,
        count=count,
        face_names=tuple(names.of(face) for face in body.as_read),
        face_colours=tuple(product.colours.get(face, None) for face in body.as_read),
        source_faces=body.source_faces,
        notes=(*body.notes, *here.notes),
        callouts=_callouts(product.pmi, body.as_read),
        moved_mm=here.moved_mm,
    )


def _callouts(pmi: list[Seen], faces: Sequence[Any]) -> tuple[Callout, ...]:
    """What is said of these faces, once each: a datum is listed again for every tolerance that uses it."""
    places: ByShape[int | None] = ByShape()
    for place, face in enumerate(faces if pmi else ()):
        places[face] = place
    found = (seen.among(lambda face: places.get(face, None)) for seen in pmi)
    return tuple(dict.fromkeys(c for c in found if c is not None))


def _titles(whole: str, own: list[str]) -> list[str]:
    """One name for each solid of a product: the product's, told apart by the solids' own or a number."""
    if len(own) == 1:
        return [whole]
    distinct = all(own) and len(set(own)) == len(own)
    return [f"{whole} / {name if distinct else i}" for i, name in enumerate(own, 1)]


def _no_solid(
    name: str, left: OpenSkin, missing: list[str], read: _Transferred, notes: list[ReadNote]
) -> StepError:
    if left:
        damage = next((n.message for n in notes if n.severity == NoteSeverity.BLOCKING), "")
        return StepError(
            Code.NO_SOLID,
            f"{name} holds no solid but an open skin ({left}): "
            + (damage or "close it in the CAD system and export a solid."),
        )
    if missing:
        return StepError(
            Code.NO_SOLID,
            f"{name} holds no solid (0 free edges), only references to {', '.join(missing)}: "
            "put those files beside it, or export one file.",
        )
    if read.faulty:
        return StepError(
            Code.UNREADABLE,
            f"{name} is damaged ({plural(read.faulty, 'faulty shape')}, no solid left): export it again.",
        )
    if read.meshes():
        return StepError(
            Code.NO_SOLID,
            f"{name} holds its bodies only as triangles (tessellated), without exact surfaces: "
            "export exact solids (boundary representation).",
        )
    return StepError(Code.NO_SOLID, f"{name} holds no solid and no surfaces (0 free edges): export a solid.")
