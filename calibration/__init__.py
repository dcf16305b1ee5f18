"""Reference square to millimetres: card, square, camera, height, uncertainty."""
