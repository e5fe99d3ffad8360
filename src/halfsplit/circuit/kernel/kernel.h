/* Shared by the compiled pieces of the circuit computation; native.py calls them and must have the same layout. */
#ifndef HALFSPLIT_KERNEL_H
#define HALFSPLIT_KERNEL_H

#include <stdint.h>

typedef struct Pattern Pattern;

/* One state of a circuit with everything that change sets of it are judged by. Names and shapes are those of the
 * modules of halfsplit.circuit: stamps.Compiled, system.System, changed.ChangedSets. All arrays are in row order. */
typedef struct {
    int64_t sets, reactive, plain, diodes, devices, senses, readings, senders, links, nodes, elements;
    int64_t thresholds, overs, switches, swaps, steps, logics, reference, most_own, most_touched;
    /* The circuit as it is eliminated. */
    const Pattern *pattern;
    const double *rho, *sigma;       /* [elements] */
    double leak_siemens;
    /* What a force is looked at by: pairs of unknowns, first the senses, then the readings, from ``answers`` on what
     * the reactive elements answer with, from ``probes`` on what the upper branches of all senders do and then the
     * lower. */
    int64_t looks, answers, probes;
    const int64_t *look_plus, *look_minus; /* [looks] */
    const double *x;                 /* [reactive][looks]: a unit force in each reactive element */
    /* The state before any change. */
    const double *solution;          /* [unknowns] */
    const double *sense_0, *reading_0;
    const double *probe_rho;         /* [2][senders]: rho of their branches */
    const double *probe_sign;        /* [elements][senders] */
    const double *link_0;            /* [senders][links]: what a step of each sender does between each link's lines */
    const uint8_t *booleans;         /* [devices] */
    const double *junction_v;        /* [diodes] */
    /* The changes: those at places of their own, and those of elements that devices move too. */
    const int64_t *own_start;        /* [sets + 1] */
    const int64_t *in_plus, *in_minus, *out_plus, *out_minus, *own_element;
    const double *alpha, *beta, *gamma;
    const int64_t *touched_start, *touched;  /* [sets + 1]; reactive elements */
    const double *added_ohm, *added_v;       /* as touched */
    const int8_t *forced;            /* [sets][devices], or nothing where none is held */
    /* Elements that devices move, diodes last. */
    const int64_t *r_element, *r_out_plus, *r_out_minus;
    const double *r_rho, *r_sigma, *r_tau, *r_ohm, *r_emf;
    const uint8_t *with_current;                                             /* [elements] */
    const int64_t *switch_at, *switch_device, *swap_at, *swap_device, *step_at, *step_device;
    const uint8_t *switch_when;
    const double *swap_ohm, *step_v;
    const double *saturation_a, *slope_v, *outside_siemens;
    double diode_tolerance_v;
    /* Devices. */
    const int64_t *threshold_at, *over_at, *link_at, *link_sender, *sender_device;
    const double *pull_in_v, *drop_out_v, *limit_a, *link_limits, *link_reference, *sender_average_v;
    const uint8_t *absolute, *slow;
    const int32_t *logic;            /* operations of all logic devices, one after the other in their order */
    const int32_t *logic_start, *logic_device;   /* [logics]: where a device's begin, and which device */
    const uint8_t *logic_always;     /* [logics]: 1 where a condition asks for a later one, which makes a loop */
    const int32_t *asks_start, *asks;            /* [devices + 1]: logic that asks for a device */
    int64_t sense_over, sense_diode_v, sense_diode_a, sense_link_v, sense_link_high, sense_link_low;
    int64_t most_rounds, most_newton_steps;
    /* Results. */
    double *values;                  /* [sets][readings] */
    double *sense;                   /* [sets][senses], or nothing */
    uint8_t *after;                  /* [sets][devices] */
    double *after_v;                 /* [sets][diodes], or nothing */
    uint8_t *switched;               /* [sets] */
    int32_t *kind, *cycle_length;    /* [sets] */
    uint8_t *cycles;                 /* the states of all cycles one after the other, [cycle_states][devices] */
    int64_t cycle_states, cycle_room;
} Follow;

/* On the processors that have them the wider registers are used; every figure is the same with and without. */
#if defined(__x86_64__) && defined(__linux__) && defined(__GNUC__) && !defined(__clang__)
#define WIDE __attribute__((target_clones("avx2", "default")))
#else
#define WIDE
#endif

enum { STEADY = 0, CHATTERS = 1, LATCHES = 2, STUCK = 3 };
/* Logic of a device, written after its operands; AND and OR are followed by how many operands, VAR by the device. */
enum { OP_END = 0, OP_VAR = 1, OP_TRUE = 2, OP_FALSE = 3, OP_NOT = 4, OP_AND = 5, OP_OR = 6 };

#endif
