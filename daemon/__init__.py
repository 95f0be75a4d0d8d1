"""Everything that touches the world: files, camera, clock, terminal."""
