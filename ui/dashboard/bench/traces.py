"""The sample columns that the charts keep."""

TRACES = (
    "setpoint_force_N",
    "shaped_force_N",
    "spring_force_N",
    "force_u95_N",
    "motor_force_N",
    "deflection_m",
    "output_position_m",
    "nut_position_m",
    "rest_position_m",
    "commanded_torque_N_m",
    "measured_torque_N_m",
    "motor_heat",
)
TRACE_INDEX = {name: i for i, name in enumerate(TRACES)}
