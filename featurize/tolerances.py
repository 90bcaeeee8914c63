"""Every tolerance of the package, each with its reason."""

# Two lengths closer than this are one: ten times finer than a toolroom measures (0.001 mm).
LENGTH_MM = 1e-4
# Plane regions are put on a grid of this: it closes the hairlines between neighbours, far below any length.
SNAP_MM = LENGTH_MM / 100
# Customers' files are sewn to 0.01 mm at worst; faces this close count as one surface.
SURFACE_MM = 1e-2
# What turning a part may add to a sine or cosine.
ROUNDING = 1e-9
# Two directions closer than this are parallel: 0.02 deg is 0.03 mm over 100 mm.
PARALLEL_DEG = 0.02
# An edge whose faces meet within this of 180 deg is tangent: exporters write fillets this roughly.
TANGENT_DEG = 1.0
# ... but two flats, or a bore and its taper, are written exactly: wire taper starts near 0.1 deg.
SMOOTH_DEG = 0.05
# Largest distance of a mesh from the true face; finer than any allowance we report on.
MESH_DEFLECTION_MM = 0.005
# ... and on parts over 100 mm this share of their diagonal, so that large ones stay quick.
MESH_SHARE = 5e-5
# Largest turn between neighbouring mesh facets.
MESH_ANGLE_DEG = 6.0
# A surface fitted to samples may miss them by this: exporters approximate to about 0.001 mm.
FIT_MM = 2e-3
# ... and its normals by this sine (0.17 deg): B-spline derivatives are rougher than points.
FIT_SINE = 3e-3
# Normals must spread at least this (sine) for an axis to be determined at all.
FIT_SPREAD = 0.02
# A fitted radius above this is a flat face's noise, not a ball.
FIT_RADIUS_LIMIT_MM = 5e3
# Cones steeper or flatter than this are cylinders or planes; wire taper starts near 0.1 deg.
CONE_MIN_DEG = 0.03
# Triangles sampled per face for fitting and for tests of sight: enough to see any curvature.
SAMPLES_PER_FACE = 24
# Axes of one hole in several patches: a short patch fixes its axis less well than a plane's normal.
AXIS_DEG = 0.1
# Material this deep in a void is real: tangent planes stand off a corner radius by less.
VOID_MM = 0.05
# A flat face leaning less than this (sine) from the line of sight is seen edge-on: 0.001 mm in 100 mm.
EDGE_ON_SINE = 1e-5
# Largest relative error of a volume: what the stock's proof allows to be missing.
VOLUME_SHARE = 1e-6
# Two colours (sRGB, 0 to 1) closer than this in every channel are one: systems round them to 8 bits and back.
COLOUR = 2.5 / 255
