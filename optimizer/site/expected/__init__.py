"""What is expected: load and PV of the coming season, made from what people have."""
