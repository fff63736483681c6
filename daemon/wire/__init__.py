"""Pure protocols: bytes in, frames out."""
