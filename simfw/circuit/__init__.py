"""What the gadget draws: cell, lights, infra-red, charger, controller pins."""
