/* SPDX-License-Identifier: MIT */
/* The request survey [6.8]: networks in range. Touches of struct pv the number of the scan. */
#include <string.h>

#include "pv_internal.h"

static void put_network(const pv *p, pv_sink *to, unsigned i)
{
    pv_network network;
    memset(&network, 0, sizeof network);
    p->config->survey->get(p->config->context, (uint8_t)i, &network);
    pv_put_head(to, PV_ARRAY, 3);
    pv_put_bytes(to, network.name, network.length <= sizeof network.name ? network.length : sizeof network.name);
    pv_put_int(to, network.signal <= 0 ? network.signal : 0);
    pv_put_uint(to, network.security);
}

static void put_survey(pv *p)
{
    pv_put_number(p, PV_KEY_SURVEY_REPLY_SCAN, p->scan);
    pv_put_simple(pv_put_key(p, PV_KEY_SURVEY_REPLY_DONE), p->scan_done ? PV_TRUE : PV_FALSE);
    pv_put_number(p, PV_KEY_SURVEY_REPLY_COUNT, p->count);
    pv_put_number(p, PV_KEY_SURVEY_REPLY_FIRST, p->first);
    pv_put_page(p, PV_KEY_SURVEY_REPLY_NETWORKS, PV_MAX_NETWORKS, put_network);
}

/* How far the newest scan has come. */
static void look(pv *p)
{
    p->count = p->config->survey->count(p->config->context, &p->scan_done);
}

static uint8_t survey(pv *p)
{
    p->first = (uint16_t)p->arguments[PV_KEY_SURVEY_FIRST].number;
    p->count = 0;
    p->scan_done = true;
    if (p->scan != 0) {
        look(p);
    }
    if (pv_has_key(p, PV_KEY_SURVEY_SCAN)) {
        if (p->arguments[PV_KEY_SURVEY_SCAN].number != p->scan) {
            return pv_refuse_with(p, PV_REFUSE_OUT_OF_BOUNDS, p->count);
        }
    } else if (p->scan_done) {
        if (p->first != 0) { /* a new scan has found nothing yet, and a refusal starts none */
            return pv_refuse_with(p, PV_REFUSE_OUT_OF_BOUNDS, 0);
        }
        p->scan = p->scan == UINT8_MAX ? 1 : (uint8_t)(p->scan + 1);
        p->config->survey->start(p->config->context);
        look(p);
    }
    if (p->first > p->count) {
        return pv_refuse_with(p, PV_REFUSE_OUT_OF_BOUNDS, p->count);
    }
    return 0;
}

static const PV_ROM pv_request_key keys[] = {PV_KEYS_OF_SURVEY};
const PV_ROM pv_request pv_request_survey = {PV_RULES_OF_SURVEY, PV_COUNT(keys), keys, survey, put_survey};
