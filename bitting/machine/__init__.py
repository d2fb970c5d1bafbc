"""At the machine: the moves, the cutter simulated, the finished key judged, the machine kept in adjustment."""
