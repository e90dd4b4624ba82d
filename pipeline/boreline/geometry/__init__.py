"""Closed contours in millimetres, polar resampling and masks; knows only the records.

``contour_...`` functions take the contours of a whole run and return one value per frame (NaN without a contour);
``polygon_...`` functions take one polygon of shape (n, 2) in pixels.
"""

from boreline.geometry.diameters import contour_diameters_mm, polygon_diameters_mm
from boreline.geometry.masks import mask_polygon_px, polygon_mask
from boreline.geometry.measures import (
    contour_areas_mm2,
    contour_centroids_px,
    contour_perimeters_mm,
    polygon_area_mm2,
    polygon_centroid_px,
    polygon_perimeter_mm,
)
from boreline.geometry.polar import PolarGrid, resample_polar
from boreline.geometry.rays import contour_radii_mm, polygon_radii_mm, radii_polygon_px, wall_thickness_mm
from boreline.geometry.shape import (
    area_derived_diameter_mm,
    difference_over_max,
    max_over_min,
    mean_diameter_mm,
    min_over_max,
    shape_index,
)
from boreline.geometry.simple import contours_are_simple, require_simple_polygon, resample_polygon_px

__all__ = [
    "PolarGrid",
    "area_derived_diameter_mm",
    "contour_areas_mm2",
    "contour_centroids_px",
    "contour_diameters_mm",
    "contour_perimeters_mm",
    "contour_radii_mm",
    "contours_are_simple",
    "difference_over_max",
    "mask_polygon_px",
    "max_over_min",
    "mean_diameter_mm",
    "min_over_max",
    "polygon_area_mm2",
    "polygon_centroid_px",
    "polygon_diameters_mm",
    "polygon_mask",
    "polygon_perimeter_mm",
    "polygon_radii_mm",
    "radii_polygon_px",
    "require_simple_polygon",
    "resample_polar",
    "resample_polygon_px",
    "shape_index",
    "wall_thickness_mm",
]
