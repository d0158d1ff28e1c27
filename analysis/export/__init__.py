"""The shareable edition in the forms that others ask for: manuscripts, research objects."""
