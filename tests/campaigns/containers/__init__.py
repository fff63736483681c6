"""deploy/fleet/compose.yaml as it is, run by podman in a network and a root of its own."""
