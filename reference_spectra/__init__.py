"""Band shapes, absorptivities and maxima of leaf pigments, as plain tables with sources."""
