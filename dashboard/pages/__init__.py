"""One module per page: `layout(...)` builds it, `register(app, store)` adds its callbacks."""
