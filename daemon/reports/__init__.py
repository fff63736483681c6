"""What is written for people to keep: sheets, certificates, curves and exports."""
