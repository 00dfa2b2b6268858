"""What stands at the site and what is expected: equipment, controls, scenario, forecast."""
