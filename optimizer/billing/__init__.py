"""From a tariff file to charges, to a cost expression, to an itemised bill."""
