"""The bench panel: a page in the browser on which somebody presses the gadget's buttons."""
