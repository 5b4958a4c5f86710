"""The pages: thin notebooks, their models and views, and the server that shows them read-only."""
