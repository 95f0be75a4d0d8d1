"""Being here puts this folder on the import path: tests say `from fakes import ...`."""
