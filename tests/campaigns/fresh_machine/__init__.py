"""The two commands of the README on machines that have nothing but a minimal Debian."""
