"""From reflectance to fat and lean."""
