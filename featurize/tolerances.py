"""Every tolerance of the package, each with its reason."""

# Two lengths closer than this are one: ten times finer than a toolroom measures (0.001 mm).
LENGTH_MM = 1e-4
# Customers' files are sewn to 0.01 mm at worst; faces this close count as one surface.
SURFACE_MM = 1e-2
# Two directions closer than this are parallel: 0.02 deg is 0.03 mm over 100 mm.
PARALLEL_DEG = 0.02
# An edge whose faces meet within this of 180 deg is tangent: exporters write fillets this roughly.
TANGENT_DEG = 1.0
# Largest distance of a mesh from the true face; finer than any allowance we report on.
MESH_DEFLECTION_MM = 0.005
# Largest turn between neighbouring mesh facets.
MESH_ANGLE_DEG = 6.0
