"""What is printed: reviews in words, for a terminal or a pipe. Nothing here computes a figure."""
