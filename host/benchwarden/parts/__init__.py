"""Parts before they are fitted: a lot looked at and measured, one type in place of another."""
