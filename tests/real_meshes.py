"""Meshes that others drew, from the folder beside the checkout: whose each is, and its licence.

The licences stand in full beside the files, in LICENSE-3mf-samples and LICENSE-trimesh-models.md.
"""

SAMPLES = "samples of the 3MF Consortium, BSD 2-Clause License, (c) 2018 3MF Consortium"
MODELS = "test models of trimesh, MIT License, (c) 2023 Michael Dawson-Haggerty"

# Which files are of which collection: by what they say of themselves where they do (the 3MF files
# name designer and copyright), else from memory.
ORIGINS = {
    "box.3mf": SAMPLES,
    "cube_gears.3mf": f"{SAMPLES}; Three Cube Gears by Emmett Lalish, which names Creative Commons "
    "Attribution - Share Alike as its licence",
    "1002_tray_bottom.STL": MODELS,
    "angle_block.STL": MODELS,
    "busted.STL": MODELS,
    "cycloidal.ply": MODELS,
    "empty.stl": MODELS,
    "featuretype.3MF": MODELS,
    "featuretype.STEP": MODELS,
    "featuretype.STL": MODELS,
    "multibody.stl": MODELS,
    "octagonal_pocket.stl": MODELS,
    "plate_holes.STL": MODELS,
}
