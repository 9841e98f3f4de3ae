"""What judging asks beside the strip itself: most of it kept in memory, so that no strip costs a query."""
