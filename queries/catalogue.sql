-- The catalogue as SQL sees it: every table with its columns, empty. Times are instants; units stand in the names.
-- Recipes are checked against these tables, so a column that is renamed here breaks its recipes at once.

create table originals (
    original text, name text, folder text, bytes bigint, taken_in timestamptz, reader text, reader_version text,
    status text, reading text, cart text, sample_rows bigint, fix_rows bigint, mark_rows bigint, reject_rows bigint,
    started timestamptz, ended timestamptz, test text, loose boolean);

create table findings (
    original text, test text, stint text, code text, severity text, words text, first_row bigint, last_row bigint);

-- the register, as it stands now; <table>_history holds every statement with said_at and original
create table carts (
    cart text, description text, customer text, seats integer, system_voltage_volt double, motor_power_watt double,
    controller_limit_ampere double, mass_kg double, tyre_diameter_metre double, tray_length_mm double,
    tray_width_mm double, tray_height_mm double, note text);

create table packs (
    pack text, chemistry text, cells_in_series integer, nominal_voltage_volt double, rated_capacity_ah double,
    rated_hours double, continuous_discharge_ampere double, peak_discharge_ampere double, peak_time_second double,
    continuous_charge_ampere double, charge_voltage_volt double, cut_off_voltage_volt double,
    maximum_temperature_celsius double, mass_kg double, length_mm double, width_mm double, height_mm double,
    price double, currency text, in_service date, warranty_years double, warranty_capacity_percent double, note text);

create table fitments (cart text, pack text, started timestamptz, ended timestamptz, note text);

create table settings (
    settings text, current_limit_ampere double, speed_limit_metre_per_second double, regen text, acceleration text,
    other text, note text);

create table loggers (logger text, cart text, started timestamptz, ended timestamptz, note text);

create table instruments (
    instrument text, kind text, accuracy_percent double, "offset" double, resolution double, note text);

create table carts_history as select *, null::timestamptz as said_at, null::text as original from carts;
create table packs_history as select *, null::timestamptz as said_at, null::text as original from packs;
create table fitments_history as select *, null::timestamptz as said_at, null::text as original from fitments;
create table settings_history as select *, null::timestamptz as said_at, null::text as original from settings;
create table loggers_history as select *, null::timestamptz as said_at, null::text as original from loggers;
create table instruments_history as select *, null::timestamptz as said_at, null::text as original from instruments;

create table tests (
    test text, kind text, cart text, pack text, settings text, started timestamptz, ended timestamptz,
    end_reason text, payload_kg double, ambient_celsius double, route text, note text);

create table tests_history as
select *, null::text[] as logs, null::timestamptz as said_at, null::text as original from tests;

-- rows first_row to last_row, both included, of the samples (or fixes) of the original
create table stints (
    stint text, original text, kind text, cart text, pack text, test text, started timestamptz, ended timestamptz,
    first_row bigint, last_row bigint, source text);

-- one row a figure; u is one standard uncertainty in the same unit
create table results (
    test text, stint text, quantity text, value double, unit text, u double, lower_bound boolean, method text,
    method_version text, computed_at timestamptz, note text);

-- what is measured: one column a quantity, and its uncertainty; _lower: the truth is at least the value
create table figures (
    duration_second double, duration_second_u double, moving_second double, moving_second_u double,
    track_length_metre double, track_length_metre_u double, distance_metre double, distance_metre_u double,
    mean_speed double, mean_speed_u double, mean_moving_speed double, mean_moving_speed_u double,
    top_speed double, top_speed_u double, climb_metre double, climb_metre_u double,
    descent_metre double, descent_metre_u double,
    discharging_ah double, discharging_ah_u double, charging_ah double, charging_ah_u double,
    net_ah double, net_ah_u double, discharging_wh double, discharging_wh_u double,
    charging_wh double, charging_wh_u double, net_wh double, net_wh_u double,
    regen_share double, regen_share_u double, gap_second double, gap_second_u double,
    zero_offset_ampere double, zero_offset_ampere_u double,
    consumption_wh_per_km double, consumption_wh_per_km_u double,
    discharge_ah_per_km double, discharge_ah_per_km_u double,
    rest_start_volt double, rest_start_volt_u double, rest_end_volt double, rest_end_volt_u double,
    lowest_loaded_volt double, lowest_loaded_volt_u double, sag_volt double, sag_volt_u double,
    capacity_ah double, capacity_ah_u double, capacity_ah_lower boolean,
    capacity_wh double, capacity_wh_u double, capacity_wh_lower boolean,
    depth_of_discharge_percent double, depth_of_discharge_percent_u double,
    state_of_health_percent double, state_of_health_percent_u double, range_metre double, range_metre_u double,
    state_of_charge_start_percent double, state_of_charge_start_percent_u double,
    state_of_charge_end_percent double, state_of_charge_end_percent_u double,
    resistance_pulse_ohm double, resistance_pulse_ohm_u double,
    resistance_ohm double, resistance_ohm_u double,
    resistance_at_soc_percent double, resistance_at_soc_percent_u double,
    resistance_at_celsius double, resistance_at_celsius_u double,
    capacity_reference_ah double, capacity_reference_ah_u double,
    state_of_health_reference_percent double, state_of_health_reference_percent_u double,
    full_cycles double, full_cycles_u double,
    capacity_partial_ah double, capacity_partial_ah_u double,
    capacity_combined_ah double, capacity_combined_ah_u double,
    range_metre_lower boolean,
    peak_discharge_ampere double, peak_discharge_ampere_u double,
    peak_discharge_1s_ampere double, peak_discharge_1s_ampere_u double,
    peak_discharge_10s_ampere double, peak_discharge_10s_ampere_u double,
    peak_discharge_60s_ampere double, peak_discharge_60s_ampere_u double,
    peak_charge_ampere double, peak_charge_ampere_u double,
    over_continuous_second double, over_continuous_second_u double,
    over_peak_second double, over_peak_second_u double,
    temperature_start double, temperature_start_u double, temperature_max double, temperature_max_u double,
    temperature_rise double, temperature_rise_u double,
    temperature_over_ambient double, temperature_over_ambient_u double,
    time_to_10_mph_second double, time_to_10_mph_second_u double,
    time_to_15_mph_second double, time_to_15_mph_second_u double,
    time_to_20_mph_second double, time_to_20_mph_second_u double,
    time_to_15_kmh_second double, time_to_15_kmh_second_u double,
    time_to_25_kmh_second double, time_to_25_kmh_second_u double,
    time_to_30_kmh_second double, time_to_30_kmh_second_u double,
    time_to_30_m_second double, time_to_30_m_second_u double,
    power_peak_watt double, power_peak_watt_u double,
    power_peak_watt_per_kg double, power_peak_watt_per_kg_u double,
    power_sustained_60s_watt double, power_sustained_60s_watt_u double,
    auxiliary_watt double, auxiliary_watt_u double,
    rolling_coefficient double, rolling_coefficient_u double,
    drag_area_m2 double, drag_area_m2_u double,
    driveline_efficiency double, driveline_efficiency_u double,
    level_watt double, level_watt_u double,
    level_speed double, level_speed_u double,
    charge_ah double, charge_ah_u double,
    charge_wh double, charge_wh_u double,
    charge_second double, charge_second_u double,
    taper_reached double, taper_reached_u double,
    coulombic_efficiency_percent double, coulombic_efficiency_percent_u double,
    energy_efficiency_percent double, energy_efficiency_percent_u double,
    self_discharge_volt_per_day double, self_discharge_volt_per_day_u double,
    standing_current_ampere double, standing_current_ampere_u double,
    projected_range_metre double, projected_range_metre_u double,
    reference_range_metre double, reference_range_metre_u double,
    lowest_cell_volt double, lowest_cell_volt_u double,
    lowest_cell_number double, lowest_cell_number_u double,
    cell_spread_loaded_volt double, cell_spread_loaded_volt_u double,
    cell_spread_rest_volt double, cell_spread_rest_volt_u double,
    trips double, trips_u double,
    trip_second double, trip_second_u double,
    heating_watt double, heating_watt_u double,
    warming_watt_seen double, warming_watt_seen_u double,
    seconds_to_maximum double, seconds_to_maximum_u double);

-- one row a test: its figures, and the pack, the cart and the settings as they stood on its date
create table test_results as
select
    tests.*, figures.*,
    packs.chemistry, packs.rated_capacity_ah, packs.rated_hours, packs.nominal_voltage_volt, packs.cells_in_series,
    packs.continuous_discharge_ampere, packs.peak_discharge_ampere as rated_peak_discharge_ampere,
    packs.in_service, packs.price, packs.currency, packs.warranty_years, packs.warranty_capacity_percent,
    settings.current_limit_ampere, settings.speed_limit_metre_per_second, settings.regen, settings.acceleration,
    carts.customer, carts.description, carts.mass_kg as cart_mass_kg,
    0::bigint as findings_count
from tests, figures, packs, carts, settings;

create table stint_results as select stints.*, figures.* from stints, figures;
drop table figures;

-- the logs themselves, row by row; views.sql puts the names of cart, pack, test and stint to them
create table raw_samples (
    time timestamptz, voltage_volt double, current_ampere double, net_capacity_ah double,
    state_of_charge_percent double, temperature_t1_celsius double, temperature_t2_celsius double,
    temperature_t3_celsius double, temperature_t4_celsius double, temperature_t5_celsius double,
    ambient_temperature_celsius double, motor_temperature_celsius double, controller_temperature_celsius double,
    speed_metre_per_second double, throttle_percent double, cell_voltage_volt double[], original text, "row" bigint);

create table raw_fixes (
    time timestamptz, segment integer, latitude_degree double, longitude_degree double, elevation_metre double,
    speed_metre_per_second double, hdop double, satellites integer, fix text, original text, "row" bigint);

create table raw_marks (
    time timestamptz, elapsed_second double, distance_metre double, rest_voltage_volt double,
    loaded_voltage_volt double, average_speed_metre_per_second double, top_speed_metre_per_second double,
    temperature_t1_celsius double, ambient_temperature_celsius double, state_of_charge_percent double, note text,
    original text, "row" bigint);

create table raw_rejects (line bigint, text text, why text, original text, "row" bigint);
