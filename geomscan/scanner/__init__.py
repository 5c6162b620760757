"""The scanner calibration: rows to millimetres with covariance, where it holds, reflectance response."""
