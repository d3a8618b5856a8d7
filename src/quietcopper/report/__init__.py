"""The review as HTML, from the result document only."""
