"""What stands in the workshop: materials, cutters, machines and bars, every row with its source."""
