"""Results to pictures and pages."""
