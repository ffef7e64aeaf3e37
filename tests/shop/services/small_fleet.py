"""A small invented fleet as CSV files, and how tests load it."""

from shop.services.imports.loading import files_load

FLEET = {
    "depots.csv": "depot,name,time_zone,stores_at\nLY,Lower Yard,Europe/Berlin,UY\nUY,Upper Yard,Europe/Berlin,\n",
    "people.csv": "sign_in,name,role,depots,mail,gets_daily_mail\nmara,Mara,fleet,UY;LY,mara@zellowby.example,yes\n",
    "specifications.csv": "specification,kind,replaced_by\nTBF-1,maker,TBF-3\nTBF-3,maker,\n",
    "suppliers.csv": "supplier,name,lead_working_days,cut_off\nBrinnock,Brinnock Oils,4,14:00\n",
    "products.csv": "product,name\nF01,ATF 1-A13\nF06,75W-80\n",
    "packs.csv": "supplier,product,size,unit,price\nBrinnock,F01,20,L,158\nBrinnock,F01,1,US qt,10.40\n",
    "unit_models.csv": "model,name,kind,plug_seal,methods,product,specifications\n"
    "TB6,Six-speed,automatic gearbox,tapered thread,drain-and-refill;overnight drain,F01,TBF-3\n",
    "unit_card.csv": "model,unit,figure,value,unit_of_measure,source\n"
    "TB6,,total_fill_l,11.2,L,maker\nTB6,,quick_drain_l,3.6,L,maker\nTB6,,overnight_drain_l,6.1,L,maker\n",
    "rules.csv": "model,subject,applies_from,distance,distance_unit,months\nTB6,fluid,2018-01-01,60000,km,48\n",
    "vehicles.csv": "vehicle,depot,name,kind,odometer_unit,hour_meter\n"
    "K01,UY,Vallowend 35 van,van,km,\nK02,UY,Vallowend 35 van,van,mi,\n",
    "units.csv": "unit,model,vehicle,position\nK01-TB6,TB6,K01,gearbox\nK02-TB6,TB6,K02,gearbox\n",
    "readings.csv": "vehicle,meter,read_at,value,source\n"
    "K01,odometer,2026-02-23 05:00,130350,telematics\nK01,odometer,2026-03-02 05:00,131400,telematics\n",
    "last_services.csv": "unit,done_on,odometer,fresh_share\nK01-TB6,2025-02-17,74400,1\n",
    "stock.csv": "depot,product,label,pack_size_l,on_shelf_l\nUY,F01,A1,20,20\n",
}

TWO_ROWS = {
    "readings.csv": 'vehicle,meter,read_at,value\nK01,odometer,2026-03-09,132450\nK02,odometer,2026-03-09,"1,000"\n'
}


def load(files, **how):
    return files_load({name: text.encode() for name, text in files.items()}, name="fleet", **how)


def counts(report):
    return {one.file: one.counts() for one in report.files}


def sentences(report):
    return [str(one) for one in report.refusals]
