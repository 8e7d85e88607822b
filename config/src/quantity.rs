//! What a channel measures. A quantity is one row of this table: a stand file's units, the page, series,
//! exports and metrics all follow it.

use crate::display::{self, DisplayUnit, DisplayUnits};
use crate::units::{self, Kind};

macro_rules! quantities {
    ($($variant:ident {
        word: $word:literal, si: $si:literal, suffix: $suffix:literal, gauge: $gauge:literal,
        help: $help:literal, written: $written:expr, shown: $shown:expr $(,)?
    })+) => {
        /// What a channel measures; it decides the SI unit and the unit to show.
        #[derive(Clone, Copy, Debug, PartialEq, Eq)]
        pub enum Quantity {
            $(#[doc = concat!("In ", $si, ".")] $variant,)+
        }

        impl Quantity {
            /// All of them.
            pub const ALL: &[Self] = &[$(Self::$variant,)+];

            /// Its name, for programs.
            #[must_use]
            pub const fn word(self) -> &'static str {
                match self { $(Self::$variant => $word,)+ }
            }

            /// The symbol of its SI unit.
            #[must_use]
            pub const fn si_unit(self) -> &'static str {
                match self { $(Self::$variant => $si,)+ }
            }

            /// The SI unit as the end of a name, such as `_k`.
            #[must_use]
            pub const fn suffix(self) -> &'static str {
                match self { $(Self::$variant => $suffix,)+ }
            }

            /// Name and help of its gauge among the metrics, which have temperatures in °C.
            #[must_use]
            pub const fn gauge(self) -> (&'static str, &'static str) {
                match self { $(Self::$variant => ($gauge, $help),)+ }
            }

            /// How its values are written.
            #[must_use]
            pub const fn kind(self) -> Kind {
                match self { $(Self::$variant => $written,)+ }
            }

            /// The unit to show it in.
            #[must_use]
            pub fn display_unit(self, units: &DisplayUnits) -> DisplayUnit {
                let shown: fn(&DisplayUnits) -> DisplayUnit = match self {
                    $(Self::$variant => $shown,)+
                };
                shown(units)
            }
        }
    };
}

quantities! {
    Temperature {
        word: "temperature", si: "K", suffix: "_k",
        gauge: "channel_temperature_celsius", help: "Temperature.",
        written: units::TEMPERATURE, shown: |units| units.temperature,
    }
    Pressure {
        word: "pressure", si: "Pa", suffix: "_pa",
        gauge: "channel_pressure_pascals", help: "Pressure.",
        written: units::PRESSURE, shown: |units| units.pressure,
    }
    Fraction {
        word: "fraction", si: "1", suffix: "",
        gauge: "channel_fraction_ratio", help: "A share, 0 to 1.",
        written: units::FRACTION, shown: |_| display::PERCENT,
    }
    Number {
        word: "number", si: "1", suffix: "",
        gauge: "channel_number", help: "A plain number.",
        written: units::RATIO, shown: |_| display::UNITY,
    }
    Voltage {
        word: "voltage", si: "V", suffix: "_v",
        gauge: "channel_voltage_volts", help: "Voltage.",
        written: units::VOLTAGE, shown: |_| display::VOLT,
    }
    Force {
        word: "force", si: "N", suffix: "_n",
        gauge: "channel_force_newtons", help: "Force.",
        written: units::FORCE, shown: |units| units.force,
    }
    Length {
        word: "length", si: "m", suffix: "_m",
        gauge: "channel_length_meters", help: "Length.",
        written: units::LENGTH, shown: |units| units.length,
    }
    Speed {
        word: "speed", si: "m/s", suffix: "_m_per_s",
        gauge: "channel_speed_meters_per_second", help: "Speed.",
        written: units::SPEED, shown: |units| units.road_speed,
    }
    MassFlow {
        word: "mass_flow", si: "kg/s", suffix: "_kg_per_s",
        gauge: "channel_mass_flow_kilograms_per_second", help: "Mass flow.",
        written: units::MASS_FLOW, shown: |units| units.mass_flow,
    }
    VolumeFlow {
        word: "volume_flow", si: "m³/s", suffix: "_m3_per_s",
        gauge: "channel_volume_flow_cubic_meters_per_second", help: "Volume flow.",
        written: units::VOLUME_FLOW, shown: |units| units.volume_flow,
    }
    Mass {
        word: "mass", si: "kg", suffix: "_kg",
        gauge: "channel_mass_kilograms", help: "Mass.",
        written: units::MASS, shown: |units| units.mass,
    }
}
