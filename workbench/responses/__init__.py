"""Tables of what participants answered, read with their origin."""
