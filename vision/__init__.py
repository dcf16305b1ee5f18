"""Photo to outlines to diameters: light, edges, fits, subjects, overlay."""
