"""From a frame to its laser line: sub-pixel row, reflectance, line width, quality."""
