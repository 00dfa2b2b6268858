"""What the equipment does step by step under settings."""
