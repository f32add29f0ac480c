"""What things are: factors, stacks, lines, studies, coupons, scores, units. No files, no statistics."""
