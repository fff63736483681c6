"""What seawater is: conductivity, salinity, density, doses and how sure each of them is."""
