"""The report: one stored run as one HTML page that needs nothing beside it.

``evidence`` is what the store gives; ``answer``, ``sections`` and ``figures`` are pure views of it;
``page`` puts them into the template.
"""
