"""One probe: quality, salinity, zero, health and calibrations."""
