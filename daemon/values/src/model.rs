//! What the reduction has to know of a stand: its file's values, with those calibrated over them.

use leverarm_config::{Pickup, Shaft, Stand, StandKind};
use leverarm_torque::reduce::{LoadCellModel, LossModel, ReductionModel, StandBounds, WheelModel};
use leverarm_torque::uncertainty::Measured;

use crate::calibration::Calibration;

/// The pickup that curves are made from: the drum's where there is one, since that is where the
/// inertia is.
#[must_use]
pub fn curve_pickup(stand: &Stand) -> Option<&Pickup> {
    let on_drum = stand.pickups.iter().find(|p| p.shaft == Shaft::Drum);
    on_drum.or_else(|| stand.pickups.first())
}

/// The pickup on the other shaft, which the drive ratio is checked with.
#[must_use]
pub fn second_pickup(stand: &Stand) -> Option<&Pickup> {
    let first = curve_pickup(stand)?;
    stand.pickups.iter().find(|p| p.shaft != first.shaft)
}

/// The load cell of a stand with its calibrations, whether torque is made with it or not.
#[must_use]
pub fn load_cell_model(stand: &Stand, calibration: &Calibration) -> Option<LoadCellModel> {
    let cell = stand.load_cell.as_ref()?;
    let mut model = LoadCellModel {
        newton_per_count: cell.newton_per_count.into(),
        newton_per_count_squared: 0.0,
        bend_about_counts: 0.0,
        shape_half_width_n: 0.0,
        zero_counts: Measured::exact(cell.zero_counts).into(),
        arm_m: cell.arm_m.into(),
        sign: cell.sign,
        on_engine: cell.shaft == Shaft::Engine,
        range_counts: cell.range_counts,
        calibrated_counts: None,
    };
    calibration.apply_load_cell(cell.channel, &mut model);
    Some(model)
}

/// What the reduction has to know of a stand with its calibrations.
#[must_use]
pub fn model(stand: &Stand, calibration: &Calibration) -> ReductionModel {
    let wheel = |pickup: &Pickup| WheelModel {
        teeth_per_turn: u32::from(pickup.teeth),
        missing_teeth: u32::from(pickup.missing),
        on_engine: pickup.shaft == Shaft::Engine,
        tooth_errors: calibration.known_pattern(pickup.channel, pickup.teeth),
    };
    let losses = &stand.losses;
    let mut model = ReductionModel {
        drum_inertia_kg_m2: stand.drum.as_ref().map(|drum| drum.inertia_kg_m2.into()),
        engine_inertia_kg_m2: stand.engine.inertia_kg_m2.into(),
        losses: LossModel {
            repeatability: Measured::new(0.0, losses.repeatability).into(),
            ..LossModel::stated(
                [
                    losses.constant_nm,
                    losses.linear_nm_s_per_rad,
                    losses.quadratic_nm_s2_per_rad2,
                ],
                losses.relative_uncertainty,
            )
        },
        engine_per_drum: stand.drive.engine_per_drum.into(),
        tyre_slip: match stand.drive.tyre {
            Some(tyre) if second_pickup(stand).is_none() => tyre.slip.into(),
            _ => Measured::exact(0.0).into(),
        },
        wheel: curve_pickup(stand).map_or(
            WheelModel {
                teeth_per_turn: 1,
                missing_teeth: 0,
                on_engine: false,
                tooth_errors: None,
            },
            wheel,
        ),
        second_wheel: second_pickup(stand).map(wheel),
        load_cell: load_cell_model(stand, calibration).filter(|_| stand.kind != StandKind::Inertia),
        cycles_per_engine_turn: stand.engine.cycles_per_turn,
        bounds: StandBounds {
            cut_rad_per_s: stand.overspeed_cut_rad_per_s(Shaft::Engine),
            end_rad_per_s: (stand.kind == StandKind::Inertia).then_some(stand.pull.end_rad_per_s),
            torque_nm: stand.engine_torque_bound_nm(),
            tyre: stand.drive.tyre.is_some(),
        },
    };
    calibration.apply(&mut model);
    model
}
