"""The pure core: readings -> grid -> output -> steady -> result. No clock, no files, no asyncio."""
