"""A motor, a rotor, heat, and a board that speaks the protocol, for a stand without hardware."""
