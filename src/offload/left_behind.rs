//! Owns what is known of threads that did not answer after a stop. They run on until what they wait
//! for answers, in a program that goes on as well (the page, `watch`), and then take their part
//! files away: until then nobody else may begin on the same offload.

use super::Context;
use crate::disk::Claim;
use crate::plan::Plan;
use std::sync::{Arc, Mutex, PoisonError, Weak};

static LEFT_BEHIND: Mutex<Vec<Weak<Context>>> = Mutex::new(Vec::new());

/// Lets the threads of this copy keep its claims until the last of them has ended.
pub fn keep(context: &Arc<Context>, claims: Vec<Claim>) {
    *context
        .claims
        .lock()
        .unwrap_or_else(PoisonError::into_inner) = claims;
    let mut all = LEFT_BEHIND.lock().unwrap_or_else(PoisonError::into_inner);
    all.push(Arc::downgrade(context));
}

/// Whether threads of this program that were left behind still work on an offload of this plan.
pub fn work_on(plan: &Plan) -> bool {
    let mut all = LEFT_BEHIND.lock().unwrap_or_else(PoisonError::into_inner);
    all.retain(|context| context.strong_count() > 0);
    all.iter().filter_map(Weak::upgrade).any(|context| {
        let mut roots = context.plan.destinations.iter().map(|d| &d.root);
        roots.any(|root| plan.destinations.iter().any(|d| d.root == *root))
    })
}
