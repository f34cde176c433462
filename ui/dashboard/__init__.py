"""The dashboard: ``app.run_dashboard`` opens the window, ``picture.save_picture`` draws it.

View models (``operate_model``, ``behaviour_forms``, ``chart_view``, ``trace_buffer``,
``runs_model``, ``session``) do not use Qt; widgets mirror them.
"""
