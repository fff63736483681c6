"""The real service before a real home-automation hub, which says what it finds wrong."""
