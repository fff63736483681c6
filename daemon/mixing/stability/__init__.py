"""Has mixing stabilised, when will it, and has the water changed since."""
