"""What is expected: seasons made from meters, bills, profiles and roofs."""
