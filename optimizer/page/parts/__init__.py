"""The parts of the page, one module each; ``registry`` lists them."""
