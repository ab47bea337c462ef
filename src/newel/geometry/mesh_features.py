"""What a part's surface is made of, found on its mesh: flat faces, round faces and sharp edges."""

from __future__ import annotations

import numpy as np

from newel.geometry.edge_lines import edge_lines
from newel.geometry.features import Features
from newel.geometry.flat_faces import flat_faces, patches_of
from newel.geometry.mesh_facets import facets_of
from newel.geometry.meshes import Mesh
from newel.geometry.round_faces import round_faces


def features_of(mesh: Mesh) -> Features:
    """Find the flat faces, round faces and sharp edges of a closed mesh in mm; `faces` of each are rows of `mesh.faces`.

    A round face is told where three or more facets, each at most 30.5 degrees of the turn, have their corners on one
    cylinder; its radius is the cylinder's, not the facets'. Polygons of fewer than twelve sides stay flat faces. What is
    neither flat nor round belongs to no feature. Raises BadInput where the mesh is not closed.
    """
    facets = facets_of(mesh)
    patches = patches_of(facets)
    round_of, rounds = round_faces(facets, patches)
    flat_of, flats = flat_faces(facets, patches, round_of >= 0)
    feature = np.where(round_of >= 0, round_of + len(flats), flat_of)[patches.of_face]
    return Features(flats, rounds, edge_lines(facets, feature, flats, rounds))
