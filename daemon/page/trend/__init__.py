"""The trend: salinity and temperature over ten minutes or a year, and what happened meanwhile."""
