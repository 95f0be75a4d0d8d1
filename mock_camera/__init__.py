"""A camera in a small studio whose light is known: a PTP/IP responder for tests and rehearsals."""
