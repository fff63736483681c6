"""A journal that the disk has spoilt: what is wrong with it, and how measuring goes on."""
