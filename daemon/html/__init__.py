"""What page and documents share: the template environment and the one stylesheet."""
