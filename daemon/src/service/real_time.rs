//! Real-time priority for the guard thread and memory that stays in memory, where the system grants
//! them. Without them a busy machine answers later; what the machine cannot do shows in
//! `cargo bench --bench cut_latency`.

use nix::sys::mman::{MlockAllFlags, mlockall};
use thread_priority::{
    RealtimeThreadSchedulePolicy, ThreadPriority, ThreadSchedulePolicy,
    set_thread_priority_and_policy, thread_native_id,
};

/// Linux: lock a page when it is first touched, so that unused stacks take no memory.
const MCL_ONFAULT: i32 = 4;

/// Asks for both, for the thread that calls, and says what it takes where one is refused.
pub fn ask() {
    let policy = ThreadSchedulePolicy::Realtime(RealtimeThreadSchedulePolicy::Fifo);
    // The lowest real-time priority stands above everything that has none.
    match set_thread_priority_and_policy(thread_native_id(), ThreadPriority::Min, policy) {
        Ok(()) => tracing::info!("the guard thread has real-time priority"),
        Err(error) => tracing::warn!(
            ?error,
            "no real-time priority for the guard thread: it goes on with the ordinary one. It takes \
             LimitRTPRIO=1 in the service's unit, or a line such as \"@leverarm - rtprio 1\" in \
             /etc/security/limits.conf; a container has to allow it too"
        ),
    }
    let now_and_later = MlockAllFlags::MCL_CURRENT | MlockAllFlags::MCL_FUTURE;
    match mlockall(now_and_later | MlockAllFlags::from_bits_retain(MCL_ONFAULT)) {
        Ok(()) => tracing::info!("memory is locked: no part of it is swapped out"),
        Err(error) => tracing::warn!(
            %error,
            "memory is not locked: a machine that swaps may answer late. It takes \
             LimitMEMLOCK=infinity in the service's unit, or a line such as \"@leverarm - memlock \
             unlimited\" in /etc/security/limits.conf"
        ),
    }
}
