//! What keeps the queue, the same behaviours on SQLite and on PostgreSQL: one suite, run on each.

mod behaviours;
mod cluster;
mod commands;
mod disk;
mod files;
mod killed;
mod lists;
mod orders;
mod outbox;
mod packed;
mod plans;
mod policies;
mod refused;
mod together;
mod told;
mod transactions;
mod trouble;
mod versions;

use behaviours::*;
use outbox::*;
use packed::*;
use refused::*;
use transactions::*;
use trouble::*;
use versions::*;

/// Runs a behaviour on each store, in a fresh one.
macro_rules! on_each {
    ($($name:ident),* $(,)?) => {
        mod sqlite {
            $(#[test] fn $name() { crate::orders::on_sqlite(super::$name) })*
        }
        mod postgres {
            $(#[test] fn $name() { crate::orders::on_postgres(super::$name) })*
        }
    };
}

on_each!(
    what_is_recorded_is_read_back,
    the_same_content_is_one_item,
    new_content_replaces_the_old_one,
    what_is_clear_is_no_item_and_replaces,
    what_is_clear_replaces_however_many_there_are,
    what_is_clear_replaces_when_the_trouble_is_over,
    what_is_clear_comes_after_what_waits_of_the_same_order,
    clear_orders_wait_as_far_as_there_is_room,
    the_same_content_that_looks_clear_stays,
    what_comes_late_of_the_same_content_changes_no_report,
    what_comes_late_does_not_replace_what_is_newer,
    what_comes_twice_stays_replaced_and_decided,
    clocks_that_differ_lose_nothing,
    orders_without_an_id_and_of_other_patients_are_apart,
    actions_are_kept_with_their_trail,
    a_command_sent_twice_is_done_once,
    conflicts_say_who_and_when,
    lists_filter_and_page_without_losing_any,
    tasks_are_found_as_the_items_say,
    odd_texts_are_kept_and_found,
    counts_are_those_of_open_items,
    statistics_per_rule_hold_nothing_of_a_person,
    feedback_is_joined_to_its_item,
    an_item_that_is_damaged_holds_up_no_other,
    what_belongs_to_a_damaged_item_waits_and_is_named,
    a_view_is_in_the_trail_and_changes_nothing,
    views_are_of_one_person_and_bounded,
    changes_are_told,
    a_purge_keeps_open_items_counts_and_the_chain,
    the_trail_is_one_chain_and_a_changed_entry_is_named,
    an_entry_that_was_emptied_is_named,
    an_order_that_was_changed_is_named,
    a_purge_and_what_is_about_the_same_item_at_once_are_apart,
    tables_go_forward_and_one_version_back,
    the_program_before_works_on_tables_that_were_taken_back,
    the_program_before_works_on_tables_of_this_one,
    tables_taken_back_are_those_of_that_version,
    other_times_sort_what_is_kept_again,
    what_is_sorted_again_is_written_in_parts,
    everything_is_there_after_it_was_closed,
    changes_are_kept_for_whom_they_concern,
    nothing_is_kept_where_nobody_listens,
    messages_about_one_order_go_in_order,
    both_lanes_of_an_order_go_in_order,
    a_row_is_taken_by_one_for_a_time,
    dead_letters_are_listed_and_sent_again,
    a_handshake_comes_first_and_again_at_another_endpoint,
    nothing_counts_that_goes_to_the_endpoint_before,
    who_is_declared_no_more_is_told_no_more,
    what_was_delivered_is_removed_after_its_time,
    the_outbox_is_there_after_a_restart_and_in_a_copy,
    rows_are_given_to_one_at_a_time,
    a_row_that_cannot_be_is_named,
    a_damaged_message_holds_up_no_other,
    one_message_is_worked_by_its_number,
    a_dead_handshake_holds_everything_and_is_sent_again_where_it_is_asked_for,
    what_is_being_sent_is_left_to_whoever_sends_it,
    reports_are_kept_packed_and_read_whole,
    plain_and_packed_reports_are_read_side_by_side,
    what_comes_again_is_compared_by_what_it_says,
    what_cannot_be_unpacked_is_named,
    a_dictionary_is_kept_with_the_first_report_and_once,
    a_dictionary_is_kept_where_the_first_try_failed,
    tables_of_before_keep_reports_plain_until_told,
    the_step_back_makes_reports_plain,
    the_step_back_is_not_taken_where_a_report_is_damaged,
    what_was_taken_back_under_a_service_is_not_written_to,
    tables_of_a_newer_program_are_not_copied,
    reports_of_others_are_read_by_their_dictionaries,
    copies_of_packed_reports_are_whole,
    a_purge_leaves_dictionaries,
    many_at_once_are_each_told_what_came_of_them,
    what_cannot_be_written_whole_is_not_written_at_all,
    many_orders_at_once_are_all_recorded,
    many_cards_at_once_are_all_joined,
    a_text_with_u_0000_is_kept_and_found,
    what_is_refused_again_and_again_is_given_up_and_named,
    an_action_that_is_refused_fails_alone,
    what_cannot_be_written_stays_said_whoever_looks,
);
