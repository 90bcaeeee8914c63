"""The kernel's own faces of each logical face of a part."""

from __future__ import annotations

from typing import Any

import numpy as np
from OCP.BRep import BRep_Tool
from OCP.TopLoc import TopLoc_Location
from OCP.TopoDS import TopoDS
from scipy.spatial import cKDTree

from featurize.brep.part import Part
from featurize.brep.shapes import FACE, each
from featurize.kept import once_for_each

# Facets of a kernel's face that are asked whose they are.
_ASKED = 5


@once_for_each
def kernel_faces(part: Part) -> dict[int, list[Any]]:
    """The kernel's faces of each logical face: their facets are the mesh's."""
    mesh = part.mesh
    tree = cKDTree(mesh.vertices[mesh.triangles].mean(axis=1))
    found: dict[int, list[Any]] = {f.id: [] for f in part.faces}
    for shape in each(part.solid, FACE):
        face, place = TopoDS.Face_s(shape), TopLoc_Location()
        poly = BRep_Tool.Triangulation_s(face, place)
        if poly is None or not poly.NbTriangles():
            continue
        move = place.Transformation()
        count = poly.NbTriangles()
        # They are the mesh's own: a few tell whose.
        some = sorted({1 + k * (count - 1) // (_ASKED - 1) for k in range(_ASKED)})
        nodes = [[poly.Node(n).Transformed(move) for n in poly.Triangle(k).Get()] for k in some]
        corners = np.array([[(p.X(), p.Y(), p.Z()) for p in three] for three in nodes])
        owners = mesh.face_ids[tree.query(corners.mean(axis=1))[1]]
        found[int(np.argmax(np.bincount(owners)))].append(face)
    return found
