"""A system that grows: which units and stores to land with which flight, so that every phase is served."""
